"""A reinforced stem in a session: heard as its hits say, in any block, printed apart, recalled, told."""

from __future__ import annotations

import json

import numpy as np
import pytest
import soundfile as sf

import busproc
from busproc.checking.check import check
from busproc.delivery.recall import recall
from busproc.errors import SettingsFileError
from busproc.hits.placing import onset_frame
from busproc.mixing import start_graph
from busproc.routing import plan_graph
from busproc.run import stream
from busproc.song import load_session
from tests.hits.test_placing import RATE_HZ, drum, struck
from tests.songs import noise, write_session

PLACES = np.array([9000.0, 30000.0, 52000.0])
LEVELS = [-20.0, -14.0, -17.0]


def write_hits(path, frames=PLACES, levels=LEVELS):
    hits = [
        {"at_s": frame / RATE_HZ, "level_dbfs": level} for frame, level in zip(frames, levels, strict=True)
    ]
    path.write_text(json.dumps({"format": "busproc-hits/1", "hits": hits}))


def reinforced(folder, settings=None, stem=None, **rest):
    """A drum, its samples as a stem beside it, and noise; the sample has its onset in its first frame."""
    folder.mkdir(parents=True, exist_ok=True)
    sample = drum(still_frames=0)[: RATE_HZ // 8]
    recording = struck(drum(still_frames=0), PLACES, [0.2, 0.4, 0.3])[:80000]
    sf.write(folder / "sample.wav", sample, RATE_HZ, "DOUBLE")
    write_hits(folder / "hits.json")
    settings = {"hits": "hits.json", "samples": [{"file": "sample.wav"}]} | (settings or {})
    again = {"name": "again", "file": "drum.wav", "reinforce": settings} | (stem or {})
    stems = {"drum": recording, "bed": noise(1.7, seed=3)}
    session = write_session(folder, stems, **rest)
    document = json.loads(session.read_text())
    document["stems"].insert(1, again)
    session.write_text(json.dumps(document))
    return session


def heard(session, name, block_frames=4096):
    song = load_session(session)
    plan = plan_graph(song, {}, end=name)
    return np.concatenate(list(stream(plan, start_graph(plan), block_frames)))[:, 0]


def test_what_is_heard_is_the_sample_at_each_hit_as_strong_as_the_hit(tmp_path):
    session = reinforced(tmp_path, {"place": "at_onset"}, {"pan_law": "balance"})
    made = heard(session, "again")
    sample = sf.read(tmp_path / "sample.wav")[0]
    onset = int(np.argmax(np.abs(sample) >= np.abs(sample).max() * 10**-1.5))
    own_dbfs = 10 * np.log10(2 * np.mean(sample[onset : onset + 960] ** 2))
    expected = np.zeros(len(made))
    for place, level in zip(PLACES.astype(int), LEVELS, strict=True):
        begin = place - onset
        expected[begin : begin + len(sample)] += sample * 10 ** ((level - own_dbfs) / 20)
    np.testing.assert_allclose(made, np.stack([expected, expected], axis=1), atol=1e-12)


def test_in_phase_the_sample_adds_to_the_recording_and_never_takes_away(tmp_path):
    session = reinforced(tmp_path)
    one, other = heard(session, "drum"), heard(session, "again")
    frames = min(len(one), len(other))
    powers = [np.mean(each[:frames] ** 2) for each in (one, other, one[:frames] + other[:frames])]
    together = (powers[2] - powers[0] - powers[1]) / (2 * np.sqrt(powers[0] * powers[1]))
    assert together > 0.99


@pytest.mark.parametrize("block_frames", [97, 777, 65536])
def test_the_size_of_blocks_changes_nothing(tmp_path, block_frames):
    session = reinforced(tmp_path)
    write_hits(tmp_path / "hits.json", PLACES + np.array([0, 0, 7]))
    np.testing.assert_array_equal(heard(session, "again", block_frames), heard(session, "again"))


def test_a_sample_that_outlasts_the_recording_is_heard_to_its_end(tmp_path):
    session = reinforced(tmp_path, {"place": "at_onset"})
    write_hits(tmp_path / "hits.json", [79000.0], [-14.0])
    made = heard(session, "again")
    begin = 79000 - onset_frame(drum(still_frames=0))
    assert len(made) == begin + RATE_HZ // 8
    assert np.abs(made[-1]).max() > 0


def test_stems_with_a_reinforced_one_add_up_to_the_mix_to_the_bit(tmp_path):
    chains = {"bus": [{"stage": "compressor", "threshold_dbfs": -25, "ratio": 3}, {"stage": "saturator"}]}
    deliver = [{"what": "mix", "bits": 24}, {"what": "stems", "by": "stem", "bits": 24}]
    session = reinforced(tmp_path / "song", chains=chains, mix_bus={"chain": "bus.json"}, deliver=deliver)
    printed = busproc.print_session(session, tmp_path / "out")
    sounds = {
        file: sf.read(printed.folder / file, dtype="int32")[0].astype(np.int64) for file in names(printed)
    }
    mix = next(sound for file, sound in sounds.items() if "/" not in file)
    stems = [sound for file, sound in sounds.items() if "/" in file]
    assert len(stems) == 3
    assert np.abs(stems[1]).max() > 0
    np.testing.assert_array_equal(np.sum(stems, axis=0), mix)


def names(printed):
    return [record["file"] for record in printed.manifest["files"]]


def test_a_print_is_recalled_and_a_changed_hit_file_is_named(tmp_path):
    session = reinforced(tmp_path / "song")
    busproc.print_session(session, tmp_path / "out")
    assert recall(tmp_path / "out", tmp_path / "song").is_same
    write_hits(tmp_path / "song/hits.json", PLACES + 400)
    recalled = recall(tmp_path / "out", tmp_path / "song")
    assert not recalled.is_same
    assert [(each["name"], each["file"]) for each in recalled.inputs] == [("again", "hits.json")]


def test_the_log_says_what_was_played_where(tmp_path):
    session = reinforced(tmp_path / "song", {"only_below_db": 2})
    rendered = busproc.render(session, tmp_path / "out")
    assert "again (" in rendered.words.read_text()
    told = "2 hits in hits.json played by 1 sample, 1 too strong or too weak for it; 2 moved by "
    assert told in rendered.words.read_text()
    record = rendered.decisions["inputs"][1]["played"]
    assert [each["file"] for each in record["files"]] == ["hits.json", "sample.wav"]
    assert [each["sample"] for each in record["strokes"]] == [0, 0]


def test_every_fault_is_told_at_once(tmp_path):
    samples = [{"file": "sample.wav"}, {"file": "still.wav"}, {"file": "none.wav"}, {"file": "../out.wav"}]
    session = reinforced(tmp_path / "song", {"samples": samples})
    sf.write(tmp_path / "song/still.wav", np.zeros(100), RATE_HZ)
    write_hits(tmp_path / "song/hits.json", [9000.0, 900000.0], [-20.0, -10.0])
    with pytest.raises(SettingsFileError) as error:
        load_session(session)
    told = [fault.partition(": ")[0] for fault in error.value.faults]
    assert sorted(told) == [
        "stems[1].reinforce.hits",
        "stems[1].reinforce.samples[1].file",
        "stems[1].reinforce.samples[2].file",
        "stems[1].reinforce.samples[3].file",
    ]
    assert "hits[1]" in str(error.value)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('{"format": "busproc-hits/1", "hits": []}', "holds no hits"),
        ('{"format": "busproc-hits/1", "hits": [{"at_s": 1}]}', "level_dbfs"),
        ('{"hits": [{"at_s": 1, "level_dbfs": -9}, {"at_s": 1, "level_dbfs": -9}]}', "rising"),
        ("{", "hits.json"),
    ],
)
def test_a_hit_file_that_is_none_is_told(tmp_path, text, told):
    session = reinforced(tmp_path)
    (tmp_path / "hits.json").write_text(text)
    with pytest.raises(SettingsFileError, match=told):
        load_session(session)


def test_hits_of_another_recording_are_noted(tmp_path):
    session = reinforced(tmp_path)
    document = json.loads((tmp_path / "hits.json").read_text())
    (tmp_path / "hits.json").write_text(json.dumps(document | {"file": "drum.wav"}))
    assert not any("hits" in note for note in load_session(session).notes)
    (tmp_path / "hits.json").write_text(json.dumps(document | {"file": "shaker.wav"}))
    note = "again: hits.json says that it holds the hits of shaker.wav, not of drum.wav."
    assert note in load_session(session).notes


def test_no_result_is_written_over_a_sample(tmp_path):
    session = reinforced(tmp_path, song="hits", deliver=[{"what": "mix", "names": "sample"}])
    with pytest.raises(busproc.InputError, match="own files"):
        busproc.render(session, tmp_path, overwrite=True)


def test_a_recording_of_another_rate_is_struck_at_the_same_times(tmp_path):
    session = reinforced(tmp_path, {"place": "at_onset"}, rate_hz=96000)
    plain = heard(session, "again")
    peaks = [int(np.abs(plain[int(2 * place) - 500 : int(2 * place) + 3000]).argmax()) for place in PLACES]
    assert np.ptp(peaks) <= 2


def test_a_check_sets_no_sample_against_the_recording_it_was_placed_in(tmp_path):
    low = {"name": "drum low", "polarity": "inverted", "gain_db": -20.0}
    session = reinforced(tmp_path, {"place": "at_onset"}, low)
    sf.write(tmp_path / "sample.wav", drum(210.0, 0.06, still_frames=0, seed=8), RATE_HZ, "DOUBLE")
    found = check(session).as_dict()
    assert found["phase"] == []
    hidden = [{each["masked"], each["masker"]} for each in found["masking"]["pairs"]]
    assert {"drum", "bed"} in hidden
    assert {"drum", "drum low"} not in hidden


def test_a_check_hears_the_samples_and_not_the_recording_twice(tmp_path):
    session = reinforced(tmp_path)
    sf.write(tmp_path / "sample.wav", drum(700.0, 0.02, still_frames=0, seed=8), RATE_HZ, "DOUBLE")
    assert not [each for each in check(session).findings if each.kind == "double"]
