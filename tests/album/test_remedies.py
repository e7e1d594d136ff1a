"""What brings a song back to its record: tried, measured, and true when the record is rendered with it."""

from __future__ import annotations

import json
import pickle
from dataclasses import replace

import numpy as np
import pytest

from busproc.album import remedies, report
from busproc.album.departures import readings
from busproc.album.drive import Drive, as_on_record
from busproc.album.loading import load_album
from busproc.album.rendering import render_album
from busproc.chain import Chain, process
from busproc.measure.meter import measure
from busproc.measure.spectrum import ThirdOctaves
from busproc.stages.observe import NOMINAL_HZ
from tests.album.test_record import write_album
from tests.songs import RATE_HZ, noise, write_session

pytestmark = pytest.mark.slow

HOLD = {"stage": "compressor", "name": "hold", "threshold_dbfs": -22, "ratio": 3}
LIMITER = {"stage": "limiter", "ceiling_dbtp": -1}
EQ = {"stage": "eq", "bands": [{"shape": "bell", "freq_hz": 2300, "gain_db": 1, "q": 1}]}
FAR_EQ = {"stage": "eq", "bands": [{"shape": "bell", "freq_hz": 200, "gain_db": 1, "q": 1}]}
TILT = {"shape": "tilt", "freq_hz": 1000, "gain_db": -9}
BUMP = {"shape": "bell", "freq_hz": 2500, "gain_db": 9, "q": 1.4}
WHY = "the report"


def through_chain(sound, *stages):
    document = {"format": "busproc-chain/1", "stages": stages}
    return process(Chain.model_validate_json(json.dumps(document)), sound, RATE_HZ)


def plain():
    return through_chain(noise(6.0, 1, peak=0.5), {"stage": "eq", "bands": [TILT]})


def bumped():
    return through_chain(plain(), {"stage": "eq", "bands": [BUMP]})


def wide_below():
    """A tone at 70 Hz out of the middle."""
    tone = 0.1 * np.sin(2 * np.pi * 70 * np.arange(6 * RATE_HZ) / RATE_HZ)
    return plain() + np.stack([tone, -0.2 * tone], axis=1)


def swinging():
    """2.5 s of it 22 dB softer."""
    time_s = np.arange(6 * RATE_HZ) / RATE_HZ
    return plain() * np.where((time_s > 2) & (time_s < 4.5), 0.08, 1.0)[:, None]


def spiky():
    sound = plain()
    for at in range(0, len(sound), 9000):
        sound[at : at + 40] += 0.6 * np.sign(sound[at : at + 40])
    return sound


def record_of(folder, odd, chain, **rest):
    """Three songs, of which the second is another."""
    album = write_album(folder, chain=chain, levels_db=(0.0, 0.0, 0.0), **rest)
    for n, sound in enumerate((plain(), odd, plain())):
        write_session(folder / f"song_{n}", {"all": sound}, song=f"Song {n}")
    return album


def tried(album, recorded):
    """The report with what was tried for each song, as the record's rendering does it."""
    record, document = load_album(album), recorded.report
    found = {}
    for track, figures in zip(record.tracks, document["songs"], strict=True):
        own = [each for each in document["departures"] if each["number"] == track.number]
        song = as_on_record(record, track, Drive(**figures["drive"]), document["gain_db"])
        chain = song.buses["mix_bus"].chain
        found[track.number] = remedies.find(track, chain, own, recorded.folder, lambda _: None)
    return report.with_remedies(document, found)


def of(document, number, what):
    (found,) = [
        each for each in document["departures"] if each["number"] == number and each["what"].startswith(what)
    ]
    return found


def with_exception(album, number, setting):
    """Departures of the song when the album has the exception."""
    document = json.loads(album.read_text())
    document["songs"][number - 1]["exceptions"] = [{"set": setting, "reason": WHY}]
    changed = album.with_name("changed.json")
    changed.write_text(json.dumps(document))
    recorded = render_album(changed, album.parent / "changed")
    return recorded, {each["what"] for each in recorded.report["departures"] if each["number"] == number}


def check_true(album, document, departure):
    """The exception that is told, rendered: gone, as far from the others as told, all else moved as told."""
    remedy = departure["remedy"]
    assert remedy["within"]
    number, what = departure["number"], departure["what"]
    recorded, left = with_exception(album, number, remedy["set"])
    assert not [each for each in left if each.startswith(departure["kind"])]
    figures = {each["number"]: readings(each) for each in recorded.report["songs"]}
    if departure["kind"] != "balance":
        others = np.median([each[what] for n, each in figures.items() if n != number])
        assert figures[number][what] - others == pytest.approx(remedy["after"], abs=0.02)
    before = readings(document["songs"][number - 1])
    for moved, by in remedy["moves"].items():
        assert figures[number][moved] - before[moved] == pytest.approx(by, abs=0.02)


@pytest.fixture(scope="module")
def apart(tmp_path_factory):
    """A record left as it was mixed, at three levels."""
    folder = tmp_path_factory.mktemp("apart")
    album = write_album(folder, calibrate=None)
    return album, tried(album, render_album(album, folder / "out"))


@pytest.mark.parametrize("number", [1, 2])
@pytest.mark.parametrize(
    ("what", "path"), [("loudness", "hold.makeup_db"), ("reduction of hold", "hold.threshold_dbfs")]
)
def test_the_exception_that_is_told_brings_the_song_back(apart, number, what, path):
    album, document = apart
    departure = of(document, number, what)
    ((told, value),) = departure["remedy"]["set"].items()
    assert told == path
    assert value == round(value, 1)
    assert abs(departure["remedy"]["before"]) > abs(departure["remedy"]["after"])
    check_true(album, document, departure)


def test_drive_is_brought_back_by_the_trim_that_calibration_gives(apart, tmp_path):
    """And with it what follows from drive."""
    _, document = apart
    remedy = of(document, 2, "drive")["remedy"]
    assert remedy["set"] is None
    assert remedy["words"] == "a trim of +7.0 dB in front of the chain (calibrate gives it)"
    assert remedy["before"] == pytest.approx(-7.0, abs=0.02)
    assert remedy["after"] == pytest.approx(0.0, abs=0.05)
    assert remedy["also"] == ["loudness", "reduction of hold"]
    album = write_album(tmp_path, calibrate={})
    assert render_album(album, tmp_path / "out").report["departures"] == []


@pytest.mark.parametrize(
    ("odd", "chain", "what", "path", "moves"),
    [
        (bumped, [EQ, HOLD, LIMITER], "balance 2 to 3.15 kHz", "eq.bands[0].gain_db", {"loudness"}),
        (bumped, [FAR_EQ, HOLD, LIMITER], "balance 2 to 3.15 kHz", "eq.bands", {"loudness"}),
        (wide_below, [HOLD, {"stage": "width"}, LIMITER], "low end", "width.mono_below_hz", set()),
        (
            swinging,
            [HOLD, LIMITER],
            "loudness range",
            "hold.threshold_dbfs",
            {"loudness", "reduction of hold"},
        ),
        (
            spiky,
            [HOLD, {"stage": "gain"}, LIMITER],
            "peak to loudness",
            "gain.gain_db",
            {"loudness", "reduction of limiter"},
        ),
    ],
)
def test_every_kind_has_its_setting(tmp_path, odd, chain, what, path, moves):
    album = record_of(tmp_path, odd(), chain)
    document = tried(album, render_album(album, tmp_path / "out"))
    departure = of(document, 2, what)
    assert list(departure["remedy"]["set"]) == [path]
    assert set(departure["remedy"]["moves"]) >= moves
    check_true(album, document, departure)


def test_a_bell_where_the_chain_has_no_eq_is_told_in_words_and_is_true(tmp_path):
    """Measured again by hand, with the bell and the chain of the record."""
    album = record_of(tmp_path, bumped(), [HOLD, LIMITER])
    document = tried(album, render_album(album, tmp_path / "out"))
    departure = of(document, 2, "balance 2 to 3.15 kHz")
    remedy = departure["remedy"]
    assert remedy["set"] is None
    gain_db = float(remedy["words"].split()[3])
    assert remedy["words"] == f"a bell of {gain_db:+.1f} dB at 2500 Hz, q 1, in front of the chain"
    bell = {"stage": "eq", "bands": [{"shape": "bell", "freq_hz": 2500, "q": 1, "gain_db": gain_db}]}
    trim = {"stage": "gain", "gain_db": document["songs"][1]["drive"]["trim_db"]}
    left = through_chain(bumped(), trim, bell, HOLD, LIMITER)
    louder = (
        measure(each, RATE_HZ).integrated_lufs
        for each in (left, through_chain(bumped(), trim, HOLD, LIMITER))
    )
    assert remedy["moves"] == {"loudness": pytest.approx(float(np.subtract(*louder)), abs=0.02)}
    meter = ThirdOctaves(RATE_HZ)
    meter.feed(left)
    levels = dict(zip(NOMINAL_HZ, meter.levels_db(), strict=True))
    rms_dbfs = 10 * np.log10(2 * np.mean(left**2))
    off = [levels[band["hz"]] - rms_dbfs - band["others"] for band in departure["bands"]]
    assert max(off, key=abs) == pytest.approx(remedy["after"], abs=0.03)
    assert remedy["within"]


def test_what_no_setting_brings_back_is_said_so(tmp_path):
    """A low end that is all in the middle cannot be spread."""
    album = record_of(tmp_path, np.repeat(plain()[:, :1], 2, axis=1), [HOLD, {"stage": "width"}, LIMITER])
    document = tried(album, render_album(album, tmp_path / "out"))
    low = of(document, 2, "low end")
    assert low["by"] > 1
    assert low["remedy"]["set"] is None
    assert low["remedy"]["words"] is None
    assert low["remedy"]["before"] == low["remedy"]["after"]
    words = report.in_words(document)
    assert "low end out of the middle" in words
    assert "    no single setting tried brought it back\n" in words


def test_paths_are_those_of_the_shared_chain(tmp_path):
    """Two unnamed compressors, a trim in front of them: the second one is stages[1] for an exception."""
    first = {"stage": "compressor", "threshold_dbfs": 0, "ratio": 1.1}
    second = {"stage": "compressor", "threshold_dbfs": -22, "ratio": 3}
    album = record_of(tmp_path, 0.5 * swinging(), [first, second, LIMITER])
    recorded = render_album(album, tmp_path / "out")
    assert recorded.report["songs"][1]["drive"]["trim_db"] > 1
    document = tried(album, recorded)
    departure = of(document, 2, "loudness range")
    assert list(departure["remedy"]["set"]) == ["stages[1].threshold_dbfs"]
    check_true(album, document, departure)


def test_it_is_a_job_for_another_process(apart):
    """Sent there and run, it finds the same."""
    album, document = apart
    track = load_album(album).tracks[1]
    own = [each for each in document["departures"] if each["number"] == 2]
    find, track, chain, own = pickle.loads(pickle.dumps((remedies.find, track, track.chain, own)))
    assert find(track, chain, own, album.parent, lambda _: None) == [each["remedy"] for each in own]


def test_the_four_worst_are_tried(apart, monkeypatch):
    album, document = apart
    monkeypatch.setattr(remedies, "MOST_STATED", 1)
    track = load_album(album).tracks[1]
    own = [each for each in document["departures"] if each["number"] == 2]
    found = remedies.find(track, track.chain, own, album.parent, lambda _: None)
    assert [each["what"] for each in found] == ["drive"]
    merged = report.with_remedies(document, {2: found})
    assert [each["remedy"] is None for each in merged["departures"] if each["number"] == 2] == [
        False,
        True,
        True,
    ]
    assert "nothing was tried: other departures of the song are worse" in report.in_words(merged)


def test_a_song_that_does_not_depart_is_not_rendered(apart):
    album, _ = apart
    track = load_album(album).tracks[2]
    unreadable = replace(track, song=None)
    assert remedies.find(unreadable, track.chain, [], album.parent, lambda _: None) == []
