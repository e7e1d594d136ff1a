"""Stages that change nothing one could hear: found, left out together, told, and frozen for recall."""

from __future__ import annotations

import json

import numpy as np
import pytest
import soundfile as sf
from click.testing import CliRunner

import busproc
from busproc.checking.check import check
from busproc.cli import main
from busproc.delivery.recall import recall
from busproc.measure.audibility import difference
from busproc.progress import silently
from busproc.pruning.judging import judge
from busproc.song import load_session
from tests.songs import RATE_HZ, noise, write_session

BELL = {"stage": "eq", "bands": [{"shape": "bell", "freq_hz": 800, "gain_db": 3}]}
IDLE = {"stage": "compressor", "threshold_dbfs": -6, "ratio": 2}
SLIGHT = {"stage": "eq", "bands": [{"shape": "high_shelf", "freq_hz": 3000, "gain_db": 0.1}]}


def bell_named(name, gain_db):
    return {"stage": "eq", "name": name, "bands": [{"shape": "bell", "freq_hz": 800, "gain_db": gain_db}]}


def song_of(folder, mix_bus, lead=(), peak=0.2, **rest):
    stems = {"bed": noise(4.0, 1, peak=peak), "lead": noise(4.0, 2, peak=peak / 3)}
    return write_session(
        folder,
        stems,
        chains={"bus": mix_bus, "lead": list(lead)},
        mix_bus={"chain": "bus.json"},
        stem_keys={"lead": {"chain": "lead.json"}} if lead else {},
        **rest,
    )


def words_of(session):
    song = load_session(session)
    return {(each.place.bus, each.place.stage(song).tag): each.word for each in judge(song, silently).stages}


def test_what_does_something_stays_and_what_does_not_goes(tmp_path):
    session = song_of(tmp_path, [BELL, IDLE, SLIGHT | {"name": "air"}], lead=[IDLE])
    assert words_of(session) == {
        ("mix_bus", "compressor"): "not heard",
        ("mix_bus", "eq"): "not heard",  # the last of two: the shelf of a tenth of a decibel
        ("lead", "compressor"): "not heard",
    }
    rendered = busproc.render(session, tmp_path / "out", prune=True)
    left = {each["place"]: each["why"] for each in rendered.decisions["left_out"]["stages"]}
    assert set(left) == {"mix_bus.stages[1]", "mix_bus.stages[2]", "stems.lead.stages[0]"}
    assert left["mix_bus.stages[1]"] == "Without it every sample is the same."
    assert [each["stage"] for each in rendered.decisions["places"][-1]["decisions"]] == ["eq"]
    told = rendered.words.read_text()
    assert "Left out\n--------\nmix_bus.stages[1] compressor: Without it every sample is the same." in told


def test_the_pruned_render_is_that_of_a_session_without_the_stages_and_nobody_hears_it(tmp_path):
    session = song_of(tmp_path / "all", [BELL, IDLE, SLIGHT], lead=[IDLE])
    bare = song_of(tmp_path / "bare", [BELL])
    whole, pruned, expected = (
        sf.read(busproc.render(each, tmp_path / name, prune=prune).files[0])[0]
        for each, name, prune in ((session, "a", False), (session, "b", True), (bare, "c", False))
    )
    np.testing.assert_array_equal(pruned, expected)
    assert np.abs(pruned - whole).max() > 0
    assert not difference(whole, pruned, RATE_HZ).is_heard


def test_several_that_are_heard_together_are_not_all_left_out(tmp_path):
    """Five bells of 0.15 dB at one place: each is under what can be heard, all are 0.75 dB."""
    session = song_of(tmp_path, [bell_named(f"n{n}", 0.15) for n in range(5)])
    judged = judge(load_session(session), silently)
    words = [each.word for each in judged.stages]
    assert set(words) == {"not heard", "heard together"}
    gone = words.count("not heard")
    assert 0.15 * gone < 0.4 < 0.15 * (gone + 1) + 0.03
    assert judged.together.may_go


def test_a_gain_is_no_needless_stage(tmp_path):
    assert words_of(song_of(tmp_path, [{"stage": "gain", "gain_db": -1.5}])) == {
        ("mix_bus", "gain"): "level only"
    }


def test_what_is_left_out_is_frozen_and_a_recall_decides_nothing_anew(tmp_path, monkeypatch):
    deliver = [{"what": "mix", "bits": 24}, {"what": "stems", "bits": 24}]
    session = song_of(tmp_path / "song", [BELL, IDLE], deliver=deliver)
    printed = busproc.print_session(session, tmp_path / "out", prune=True)
    (gone,) = printed.manifest["left_out"]
    assert (gone["place"], gone["stage"]) == ("mix_bus.stages[1]", "compressor")
    monkeypatch.setattr("busproc.pruning.judging.judge", None)
    assert recall(tmp_path / "out", tmp_path / "song").is_same


def test_where_every_stage_is_heard_nothing_is_left_out_and_no_bit_differs(tmp_path):
    session = song_of(tmp_path, [BELL])
    plain = busproc.render(session, tmp_path / "plain")
    pruned = busproc.render(session, tmp_path / "pruned", prune=True)
    assert pruned.files[0].read_bytes() == plain.files[0].read_bytes()
    assert (
        "Nothing: of 1 stages that were tried each does something one could hear." in pruned.words.read_text()
    )


def test_a_check_says_what_could_be_left_out_when_asked(tmp_path):
    session = song_of(tmp_path, [BELL, IDLE])
    assert check(session).as_dict()["left_out"] is None
    assert "could be left out" not in check(session).in_words()
    found = check(session, stages=True)
    assert [each["stage"] for each in found.as_dict()["left_out"]["stages"]] == ["compressor"]
    assert "mix_bus.stages[1] compressor: Without it every sample is the same." in found.in_words()
    assert "What could be left out" in found.page


@pytest.mark.parametrize("command", ["render", "print"])
def test_the_commands_take_it(tmp_path, command):
    session = song_of(tmp_path, [BELL, IDLE])
    done = CliRunner().invoke(main, [command, str(session), "--out", str(tmp_path / "out"), "--prune"])
    assert done.exit_code == 0, done.output
    assert "left out, as it changes nothing one could hear: mix_bus.stages[1] compressor" in done.stdout
    (log,) = (tmp_path / "out").glob("*.decisions.json")
    assert json.loads(log.read_text())["left_out"]["judged"] == 2
