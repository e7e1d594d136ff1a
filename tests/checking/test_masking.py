"""A stem hidden at 800 Hz: found there, and remedies rendered, measured and priced."""

from __future__ import annotations

import json

import numpy as np
import pytest
from scipy import signal

from busproc.chain import Chain, load_chain
from busproc.checking.check import check
from busproc.checking.hearing import Contributions, LoudnessOf
from busproc.checking.remedies import RECOVERS, Tryout, bell
from busproc.checking.together import Together
from busproc.checking.trying import try_change
from busproc.errors import InputError
from busproc.measure.excitation import erb_number
from busproc.progress import silently
from busproc.scratch import Scratch
from busproc.song import load_session
from busproc.stages.eq import Eq
from busproc.stages.gain import Gain
from busproc.through import Entrance, through
from tests.checking.sessions import SECONDS, band, of_kind, with_change
from tests.songs import RATE_HZ, write_session

pytestmark = pytest.mark.slow

FREQ_HZ = 800.0


def hidden(folder, masker_db=-22.0, **rest):
    """A reed under an organ that is loud around 800 Hz and far above, and a bass out of the way."""
    organ = band(600, 1080, 1, masker_db) + band(3000, 7000, 2, -24)
    stems = {"reed": band(650, 1000, 3, -32), "organ": organ, "bass": band(50, 150, 4, -24)}
    return write_session(folder, stems, **rest)


def bell_tried(masking, shape):
    """The trial of a bell of this shape, and the bell."""
    stages = [(trial, trial.suggestion["stage"]) for trial in masking.tried if "stage" in trial.suggestion]
    return next((trial, stage["bands"][0]) for trial, stage in stages if stage["bands"][0]["shape"] == shape)


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    return check(hidden(tmp_path_factory.mktemp("hidden")))


def test_it_says_who_hides_whom_and_where(found):
    (masking,) = found.findings
    assert (masking.kind, masking.stems) == ("masking", ("reed", "organ"))
    assert abs(erb_number(masking.bands_hz[0]) - erb_number(FREQ_HZ)) <= 1
    assert masking.figures["covered_in_band"] > 0.9
    assert "most around 803 Hz" in masking.words
    assert "reed is hidden by organ" in masking.words
    shares = {each["name"]: each["share"] for each in found.as_dict()["stems"]}
    assert sum(shares.values()) == pytest.approx(1, abs=0.01)
    assert masking.cost == pytest.approx(masking.figures["loss"] * shares["reed"], abs=0.001)


def test_a_bell_is_tried_of_the_least_depth_that_wins_enough(found):
    (masking,) = found.findings
    assert masking.suggestion == masking.tried[0].suggestion
    assert len(masking.tried) == 4
    for shape in ("bell", "dynamic_bell"):
        trial, cut = bell_tried(masking, shape)
        assert trial.suggestion["stem"] == "organ"
        assert abs(erb_number(cut["freq_hz"]) - erb_number(FREQ_HZ)) <= 1
        assert trial.works
        assert trial.after <= (1 - RECOVERS) * trial.before
        assert "softer" in trial.price


def test_less_than_the_least_depth_would_not_do(found, tmp_path):
    song = load_session(hidden(tmp_path))
    contributions = Contributions(song, silently)
    together = Together(song, contributions)
    (pair,) = together.masked(()).hidden
    tryout = Tryout(song, contributions.on_disk(["reed", "organ"]), together.shares, silently)
    _, cut = bell_tried(found.findings[0], "bell")
    assert cut["gain_db"] <= -6
    levels = [t.suggestion["level_db"] for t in found.findings[0].tried if "level_db" in t.suggestion]
    assert levels == [6.0, -6.0]
    assert not tryout.trial(pair, "organ", Gain(gain_db=-3.0)).works
    assert tryout.trial(pair, "organ", bell(cut["freq_hz"], cut["gain_db"])).works
    assert not tryout.trial(pair, "organ", bell(cut["freq_hz"], cut["gain_db"] + 3)).works
    _, moving = bell_tried(found.findings[0], "dynamic_bell")
    shallower = moving | {"threshold_dbfs": moving["threshold_dbfs"] + 4.0}  # 3 dB less at 4:1
    assert tryout.trial(pair, "organ", Eq(bands=(moving,))).works
    assert not tryout.trial(pair, "organ", Eq(bands=(shallower,))).works


def test_a_dynamic_bell_lets_the_soft_moments_of_a_masker_be(tmp_path):
    """Half the time the organ lies 20 dB lower, and there loses next to nothing."""
    turn = np.arange(SECONDS * RATE_HZ) / RATE_HZ % 1
    loud, soft = turn < 0.5, turn > 0.75
    organ = band(600, 1080, 1, -14) * np.where(turn < 0.5, 1.0, 0.1)[:, None] + band(3000, 7000, 2, -24)
    session = write_session(tmp_path, {"reed": band(650, 1000, 3, -38), "organ": organ})
    (masking,) = of_kind(check(session), "masking")
    change_db = {}
    for shape in ("bell", "dynamic_bell"):
        _, cut = bell_tried(masking, shape)
        stage = bell(FREQ_HZ, -9.0) if shape == "bell" else Eq(bands=(cut | {"freq_hz": FREQ_HZ},))
        with Scratch((2,)) as sound:
            sound.append(np.repeat(organ, 2, axis=1))
            left = through(Chain(stages=(stage,)).placed(), Entrance(RATE_HZ, sound, len(organ))).left
            made = np.concatenate(list(left.blocks()))[:, :1]
        change_db[shape] = [region_db(made[part]) - region_db(organ[part]) for part in (loud, soft)]
    assert change_db["bell"] == pytest.approx([change_db["bell"][0]] * 2, abs=1.0)
    assert change_db["dynamic_bell"][0] < -2
    assert change_db["dynamic_bell"][1] > -0.5


def region_db(sound):
    """Level from 760 to 840 Hz."""
    section = signal.butter(2, [760, 840], "bandpass", fs=RATE_HZ, output="sos")
    return 10 * np.log10((signal.sosfilt(section, sound, axis=0) ** 2).mean())


def test_the_band_named_holds_the_stems_own_sound_and_no_skirt_of_it(tmp_path):
    """All of a reed is hidden, and more so far above it, where its skirt lies under the whole of an organ."""
    stems = {"reed": band(650, 1000, 3, -36), "organ": band(600, 4000, 1, -14)}
    (masking,) = of_kind(check(write_session(tmp_path, stems)), "masking")
    assert 650 <= masking.bands_hz[0] <= 1000


def test_the_chain_is_taken_and_does_what_was_measured(found, tmp_path):
    session = hidden(tmp_path, stem_keys={"organ": {"chain": "organ.json"}})
    assert [each.name for each in found.write_remedies(tmp_path)] == ["organ.json"]
    assert load_chain(tmp_path / "organ.json").stages == found.chains["organ"].stages
    before, after = (
        next(each for each in document["masking"]["pairs"] if each["masked"] == "reed")
        for document in (found.as_dict(), check(session).as_dict())
    )
    assert after["loss"] < before["loss"] - 0.02
    trial = found.findings[0].tried[0]
    assert f"reed loses {after['loss']:.2f} instead of {before['loss']:.2f}" in trial.price
    with pytest.raises(InputError):
        found.write_remedies(tmp_path)


def test_a_chain_that_is_there_stays_in_front(tmp_path):
    stages = [{"stage": "saturator", "drive_db": 1}]
    session = hidden(tmp_path, chains={"organ": stages}, stem_keys={"organ": {"chain": "organ.json"}})
    chain = check(session).chains["organ"]
    assert [each.stage for each in chain.stages] == ["saturator", "eq"]


def test_a_level_is_counted_from_the_fader(tmp_path):
    found = check(hidden(tmp_path, stem_keys={"organ": {"level_db": 2.0}}))
    masking = next(each for each in found.findings if each.kind == "masking")
    lower = next(t for t in masking.tried if "level_db" in t.suggestion and t.suggestion["stem"] == "organ")
    assert lower.suggestion["level_db"] in {-1.0, -4.0, -7.0}
    after = check(with_change(hidden(tmp_path / "again"), lower.suggestion))
    pair = next(each for each in after.as_dict()["masking"]["pairs"] if each["masked"] == "reed")
    assert f"reed loses {pair['loss']:.2f}" in lower.price


def test_a_boost_that_makes_one_nicer_and_the_mix_worse_is_told(tmp_path):
    """6 dB more at 800 Hz: the organ gains, the reed loses, and more of it; a cut does the opposite."""
    session = hidden(tmp_path, masker_db=-34.0)
    boost, cut, nothing = (
        try_change(session, "organ", Chain(stages=(bell(FREQ_HZ, db),))) for db in (6.0, -6.0, 0.0)
    )
    assert boost.louder_lu > 0.1
    assert boost.after["organ"] < boost.before["organ"]
    assert boost.after["reed"] > boost.before["reed"] + 0.03
    assert (boost.verdict, cut.verdict, nothing.verdict) == ("worse", "better", "no difference")
    assert nothing.net == pytest.approx(0, abs=1e-9)


def test_what_cannot_be_tried_is_refused(tmp_path):
    session = hidden(tmp_path)
    with pytest.raises(InputError, match="did you mean organ"):
        try_change(session, "orgen", Chain())
    keyed = Chain(stages=({"stage": "compressor", "threshold_dbfs": -30, "key": {"from": "reed"}},))
    with pytest.raises(InputError, match="keys"):
        try_change(session, "organ", keyed)


def test_what_reaches_the_mix_bus_goes_through_chain_fader_group_and_send(tmp_path):
    session = hidden(
        tmp_path,
        stem_keys={"reed": {"level_db": -4.0, "group": "winds"}},
        groups=[{"name": "winds", "level_db": -2.0}],
    )
    heard = {}
    for where in ("plain", "moved"):
        song = load_session(hidden(tmp_path / where) if where == "plain" else session)
        loudness = LoudnessOf(RATE_HZ)
        for blocks in Contributions(song, silently).blocks(["reed"]):
            loudness.feed(blocks["reed"])
        heard[where] = loudness.lufs
    assert heard["moved"] == pytest.approx(heard["plain"] - 6.0, abs=0.001)


def test_muted_stems_and_keys_hide_nothing(tmp_path):
    found = check(hidden(tmp_path, stem_keys={"organ": {"heard": False}}))
    assert of_kind(found, "masking") == []
    assert {each["masker"] for each in found.as_dict()["masking"]["pairs"]} == {"reed", "bass"}


def test_the_same_for_any_engine(found, tmp_path):
    from busproc.engine import Engine

    again = check(hidden(tmp_path), engine=Engine(jobs=2))
    assert json.dumps(again.as_dict()) == json.dumps(found.as_dict())


def test_alike_stems_count_as_no_fault(tmp_path):
    stems = {"one": band(200, 4000, 5), "other": band(200, 4000, 6), "bass": band(50, 150, 4)}
    found = check(write_session(tmp_path, stems))
    assert of_kind(found, "masking") == []
    assert np.isclose(found.as_dict()["masking"]["pairs"][0]["loss"], 0.72, atol=0.06)
