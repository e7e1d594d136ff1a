"""The demo's record: four songs that hold together, and what the album makes of their first seconds."""

from __future__ import annotations

import dataclasses
import hashlib
import json

import numpy as np
import pytest
from click.testing import CliRunner

from busproc.album.rendering import render_album
from busproc.cli import main
from busproc.demo import lantern_hours, make_demo_record
from busproc.demo.lantern_hours import SCORES
from busproc.demo.score import bar_start
from busproc.demo.synth import PLAYERS, make_song, players_of

NEW = {name: score for name, score in SCORES.items() if name != "harbour_lamps"}
LAST_CHORDS = {  # names of keys, C is 0
    "low_tide": {9, 0, 4, 11},  # A minor with an added ninth
    "rope_and_bell": {7, 11, 2},  # G major
    "nine_moths": {4, 7, 11},  # E minor
}
SHORT_S = {
    "harbour_lamps": 15.0,
    "low_tide": 12.0,
    "rope_and_bell": 12.0,
    "nine_moths": 12.0,
}  # all have entered

song = pytest.mark.parametrize("name", NEW)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """The record with songs that break off early."""
    short = {name: dataclasses.replace(score, song_s=SHORT_S[name]) for name, score in SCORES.items()}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(lantern_hours, "SCORES", short)
        folder = tmp_path_factory.mktemp("record")
        make_demo_record(folder)
        yield folder


@pytest.fixture(scope="module")
def recorded(folder):
    return render_album(folder / "lantern_hours.json", folder / "record")


def drives(report):
    return [each["drive"]["measured"] + each["drive"]["trim_db"] for each in report["songs"]]


@song
def test_every_line_has_its_bars_and_ends_before_the_stems_do(name):
    """One eighth too many or too few in any bar would shift the last chord, which a broken one spreads."""
    score = NEW[name]
    last = bar_start(score.sections[-1][1])
    for line in score.notes.values():
        assert last <= max(note.at for note in line) <= last + 2
        assert max(note.at + note.length for note in line) in {last + 5, last + 6}
        assert score.seconds(max(note.at + note.length for note in line)) < score.song_s - 0.5
    assert all(stroke.at <= last for line in score.strokes.values() for stroke in line)
    chord = {note.key % 12 for line in score.notes.values() for note in line if note.at >= last}
    assert chord == LAST_CHORDS[name]


@song
def test_players_are_those_with_a_line_and_their_stems_are_sound(name):
    stems = make_song(48000, NEW[name])
    assert list(stems) == players_of(NEW[name])
    assert set(stems) < set(PLAYERS)
    assert {len(stem) for stem in stems.values()} == {int(NEW[name].song_s * 48000)}
    for stem in stems.values():
        assert np.all(np.isfinite(stem))
        assert -17 < 20 * np.log10(np.max(np.abs(stem))) < -10
        assert np.max(np.abs(stem[-480:])) < 1e-5


def test_songs_have_lengths_tempos_and_seeds_of_their_own():
    assert all(15 <= score.song_s <= 25 for score in NEW.values())
    assert len({score.tempo_bpm for score in SCORES.values()}) == 4
    taken = [score.seed + n for score in SCORES.values() for n in range(len(PLAYERS))]
    assert len(set(taken)) == len(taken)


def test_a_second_take_has_the_same_bits(folder):
    score = dataclasses.replace(NEW["low_tide"], song_s=12.0)
    one, two = (make_song(48000, score) for _ in range(2))
    assert all(np.array_equal(one[name], two[name]) for name in one)


def test_songs_mixed_apart_enter_and_leave_alike(recorded):
    trims = [each["drive"]["trim_db"] for each in recorded.report["songs"]]
    assert np.ptp(trims) > 5
    assert np.ptp(drives(recorded.report)) < 0.1
    assert np.ptp([each["measured"]["integrated_lufs"] for each in recorded.report["songs"]]) < 0.1
    named = {each["what"] for each in recorded.report["departures"]}
    assert named.isdisjoint({"drive", "loudness"})


def test_left_as_mixed_they_enter_apart_and_the_report_says_so(folder, recorded):
    album = json.loads((folder / "lantern_hours.json").read_text())
    (folder / "apart.json").write_text(json.dumps(album | {"calibrate": None, "loudness": None}))
    apart = render_album(folder / "apart.json", folder / "apart").report
    trims = [each["drive"]["trim_db"] for each in recorded.report["songs"]]
    assert np.ptp(drives(apart)) == pytest.approx(np.ptp(trims), abs=0.1)
    departures = [(each["song"], each["what"]) for each in apart["departures"]]
    assert {("Low Tide", "drive"), ("Rope and Bell", "drive"), ("Low Tide", "loudness")} <= set(departures)


def test_what_is_there_stays_and_only_what_is_missing_is_made(folder):
    session = folder / "low_tide" / "session.json"
    session.write_text(before := session.read_text().replace("Low Tide", "Spring Tide"))
    try:
        stem = folder / "nine_moths" / "stems" / "strings.wav"
        digest, seen = hashlib.sha256(stem.read_bytes()).hexdigest(), stem.stat().st_mtime_ns
        missing = folder / "rope_and_bell" / "stems" / "tuba.wav"
        was = missing.read_bytes()
        missing.unlink()
        make_demo_record(folder)
        assert session.read_text() == before
        assert (hashlib.sha256(stem.read_bytes()).hexdigest(), stem.stat().st_mtime_ns) == (digest, seen)
        assert missing.read_bytes() == was
    finally:
        session.write_text(before.replace("Spring Tide", "Low Tide"))


def test_the_command_prints_the_report_and_names_the_reel(folder, recorded):
    result = CliRunner().invoke(main, ["demo", "--album", str(folder)])
    assert result.exit_code == 0, result.output
    assert "4 songs, -16.0 LUFS as a whole" in result.stdout
    assert f"Listen to {folder / 'record' / recorded.report['reel']['file']} (start quiet)" in result.stdout
    assert (folder / "record" / recorded.report["reel"]["cue_sheet"]).read_text().count("TRACK") == 4
