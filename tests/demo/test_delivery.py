"""The demo delivered: stems add up to the mix to the bit through room, echo, doubling and reinforced drum."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import soundfile as sf

import busproc
from busproc.delivery.recall import recall
from busproc.delivery.verify import verify
from busproc.demo import make_demo
from busproc.demo.samples import PEAK_DBFS, SAMPLES, make_samples
from busproc.shootouts.loading import load_shootout

RATE_HZ = 48000
THROW_S = (30.2, 31.9)

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def printed(tmp_path_factory):
    """Every stem and every return apart."""
    folder = tmp_path_factory.mktemp("demo")
    session = make_demo(folder)
    deliver = '{"what": "stems", "by": "stem", "returns": "separate", "bits": 24}'
    text = session.read_text().replace('{"what": "stems", "by": "group", "bits": 24}', deliver)
    session.write_text(text)
    return busproc.print_session(session, folder / "delivery")


def sounds(printed):
    files = {file["piece"]: file["file"] for file in printed.manifest["files"] if file["what"] == "stems"}
    return {name: sf.read(printed.folder / file, dtype="int32")[0] >> 8 for name, file in files.items()}


def test_stems_add_up_to_the_mix_to_the_bit(printed):
    stems = sounds(printed)
    assert {"frame_drum_low", "choir", "room", "throw", "squeeze"} <= set(stems)
    mix = sf.read(printed.files[0], dtype="int32")[0] >> 8
    np.testing.assert_array_equal(sum(stem.astype(np.int64) for stem in stems.values()), mix)
    assert all(np.abs(stem).max() > 2**10 for stem in stems.values())
    assert verify(printed.folder).faults == ()


def test_it_is_recalled_to_the_bit(printed):
    assert recall(printed.folder, printed.folder.parent).is_same


def test_the_throw_is_heard_after_its_phrase_and_not_before(printed):
    throw = np.abs(sounds(printed)["throw"]).max(axis=1)
    first, last = (round(second * RATE_HZ) for second in THROW_S)
    assert throw[last : last + RATE_HZ].max() > 1000 * throw[:first].max()


def test_every_new_sound_worked(printed):
    verdicts = {
        (place["place"], each["stage"]): each["verdict"]
        for place in printed.decisions["places"]
        for each in place["decisions"]
    }
    for place, stage in (("returns.room", "reverb"), ("returns.throw", "delay"), ("stems.choir", "doubler")):
        assert verdicts[place, stage] == "worked"
    played = next(each["played"] for each in printed.decisions["inputs"] if each["name"] == "frame_drum_low")
    turns = [each["sample"] for each in played["strokes"]]
    assert len(turns) > 50
    assert all(one != other for one, other in itertools.pairwise(turns))


def test_samples_are_the_same_every_time_and_no_two_alike():
    once, again = make_samples(RATE_HZ), make_samples(RATE_HZ)
    assert list(once) == list(SAMPLES)
    for name, sound in once.items():
        np.testing.assert_array_equal(sound, again[name])
        assert 20 * np.log10(np.abs(sound).max()) == pytest.approx(PEAK_DBFS)
        assert abs(sound[-1]) < 1e-6
    first, second, third = once.values()
    assert max(abs(np.corrcoef(a, b)[0, 1]) for a, b in ((first, second), (second, third))) < 0.9999


def test_its_shootouts_are_good(printed):
    for name in ("attack", "under"):
        assert load_shootout(printed.folder.parent / f"{name}.json").songs
