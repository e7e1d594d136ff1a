"""A record: songs mixed 9 dB apart enter the chain alike and leave at the loudness that was asked for."""

from __future__ import annotations

import json

import numpy as np
import pyloudnorm
import pytest
import soundfile as sf

from busproc.album.loading import load_album
from busproc.album.rendering import render_album
from busproc.delivery.recall import recall
from busproc.engine import Engine
from busproc.errors import InputError, RenderError, SettingsFileError
from tests.songs import noise, write_session

CHAIN = [
    {"stage": "compressor", "name": "hold", "threshold_dbfs": -22, "ratio": 3},
    {"stage": "limiter", "ceiling_dbtp": -1},
]
LEVELS_DB = (0.0, -9.0, -4.0)
HIGH_BELL = {"shape": "bell", "freq_hz": 9000, "gain_db": 1}


def write_album(folder, chain=CHAIN, levels_db=LEVELS_DB, **rest):
    """Songs of the same noise in swells, mixed at different levels."""
    for n, level_db in enumerate(levels_db):
        sound = 10 ** (level_db / 20) * noise(6.0, 1, peak=0.5)
        write_session(folder / f"song_{n}", {"all": sound}, song=f"Song {n}", deliver=[{"bits": 24}])
    (folder / "chain.json").write_text(json.dumps({"format": "busproc-chain/1", "stages": chain}))
    songs = [{"session": f"song_{n}/session.json"} for n in range(len(levels_db))]
    document = {
        "format": "busproc-album/1",
        "album": "Lantern Hours",
        "chain": "chain.json",
        "songs": songs,
        "deliver": [{"bits": "32_float"}],
    }
    file = folder / "album.json"
    file.write_text(json.dumps(document | rest))
    return file


def integrated_lufs(audio, rate_hz):
    return pyloudnorm.Meter(rate_hz, filter_class="DeMan").integrated_loudness(audio)


def mixes(recorded):
    return [next((recorded.folder / song["folder"]).glob("*_mix_*")) for song in recorded.report["songs"]]


def reductions(recorded):
    return [song["dynamics"][0]["percentile_95_db"] for song in recorded.report["songs"]]


def loudness(recorded):
    """Read by another meter."""
    return [integrated_lufs(*sf.read(file)) for file in mixes(recorded)]


def test_calibrated_songs_are_driven_and_reduced_alike(tmp_path):
    recorded = render_album(write_album(tmp_path), tmp_path / "out")
    trims = [song["drive"]["trim_db"] for song in recorded.report["songs"]]
    np.testing.assert_allclose(np.array(trims) + LEVELS_DB, -4.0, atol=0.01)  # the median song is at -4 dB
    assert np.ptp(reductions(recorded)) < 0.05
    assert np.ptp(loudness(recorded)) < 0.05
    assert recorded.report["departures"] == []


def test_without_calibration_the_report_names_what_departs(tmp_path):
    recorded = render_album(write_album(tmp_path, calibrate=None), tmp_path / "out")
    assert np.ptp(reductions(recorded)) > 2.0
    departures = {(each["song"], each["what"]) for each in recorded.report["departures"]}
    assert {("Song 0", "drive"), ("Song 1", "drive"), ("Song 1", "loudness")} <= departures
    words = next((tmp_path / "out").glob("*.txt")).read_text()
    assert "Song 1: drive -5.0 dB from the record" in words


def test_undone_the_songs_keep_their_distances(tmp_path):
    recorded = render_album(write_album(tmp_path, calibrate={"undo": True}), tmp_path / "out")
    assert np.ptp(reductions(recorded)) < 0.05
    np.testing.assert_allclose(np.diff(loudness(recorded)), np.diff(LEVELS_DB), atol=0.05)


@pytest.mark.parametrize("by", ["integrated", "true_peak"])
def test_drive_is_measured_as_asked_and_met(tmp_path, by):
    calibrate = {"by": by, "drive_lufs": -12.0}
    recorded = render_album(write_album(tmp_path, calibrate=calibrate), tmp_path / "out")
    for song in recorded.report["songs"]:
        assert song["drive"]["measured"] + song["drive"]["trim_db"] == pytest.approx(-12.0, abs=0.02)


@pytest.mark.parametrize("how", ["per_song", "loudest_song", "whole_record"])
def test_the_record_leaves_at_the_loudness_asked_for(tmp_path, how):
    """Distances stay unless each song is to meet the target."""
    loud = {"how": how, "target_lufs": -14.0}
    album = write_album(tmp_path, calibrate={"undo": True}, loudness=loud)
    recorded = render_album(album, tmp_path / "out")
    found = loudness(recorded)
    if how == "per_song":
        np.testing.assert_allclose(found, -14.0, atol=0.06)
    elif how == "loudest_song":
        assert max(found) == pytest.approx(-14.0, abs=0.1)
    else:
        joined = np.concatenate([sf.read(file)[0] for file in mixes(recorded)])
        assert integrated_lufs(joined, 48000) == pytest.approx(-14.0, abs=0.15)
        assert recorded.report["integrated_lufs"] == pytest.approx(-14.0, abs=0.1)
    if how != "per_song":
        np.testing.assert_allclose(np.diff(found), np.diff(LEVELS_DB), atol=0.3)


def test_a_loudness_that_cannot_be_met_is_told_with_the_best(tmp_path):
    album = write_album(tmp_path, loudness={"how": "loudest_song", "target_lufs": -3.0})
    with pytest.raises(RenderError, match=r"target_lufs -3 cannot be met under -1 dBTP: the best value"):
        render_album(album, tmp_path / "out")


def test_what_is_there_and_made_the_same_way_is_left_as_it_is(tmp_path):
    album = write_album(tmp_path)
    first = render_album(album, tmp_path / "out")
    before = {file: file.read_bytes() for file in mixes(first)}
    assert len(first.rendered) == 3
    assert render_album(album, tmp_path / "out").rendered == ()
    session = json.loads((tmp_path / "song_1" / "session.json").read_text())
    session["stems"][0]["pan"] = 0.2
    (tmp_path / "song_1" / "session.json").write_text(json.dumps(session))
    again = render_album(album, tmp_path / "out")
    assert "02_Song_1" in again.rendered
    mixes(again)[2].write_bytes(b"broken")
    assert "03_Song_2" in render_album(album, tmp_path / "out").rendered
    assert mixes(again)[2].read_bytes()[:4] == b"RIFF"
    assert before


def test_songs_side_by_side_are_the_same_bytes(tmp_path):
    album = write_album(tmp_path)
    one = render_album(album, tmp_path / "one")
    two = render_album(album, tmp_path / "two", engine=Engine(jobs=2))
    assert [file.read_bytes() for file in mixes(one)] == [file.read_bytes() for file in mixes(two)]
    assert one.report == two.report


def test_an_exception_changes_one_song_and_the_report_says_why(tmp_path):
    album = write_album(tmp_path)
    document = json.loads(album.read_text())
    why = "a ballad: hardly any compression"
    document["songs"][1]["exceptions"] = [{"set": {"hold.ratio": 1.2}, "reason": why}]
    album.write_text(json.dumps(document))
    recorded = render_album(album, tmp_path / "out")
    assert reductions(recorded)[1] < reductions(recorded)[0] - 2
    assert why in next((tmp_path / "out").glob("*.txt")).read_text()


def test_every_fault_of_a_record_is_told_at_once(tmp_path):
    chain = [CHAIN[0], {"stage": "limiter", "target_lufs": -14.0}]
    album = write_album(tmp_path, chain=chain)
    document = json.loads(album.read_text())
    document["songs"][0]["session"] = "nowhere.json"
    document["songs"][1]["exceptions"] = [{"set": {"hld.ratio": 2}, "reason": "softer"}]
    document["deliver"] = [{"what": "stems"}]
    album.write_text(json.dumps(document))
    with pytest.raises(SettingsFileError) as error:
        load_album(album)
    told = error.value.faults
    assert told[0].startswith("chain = chain.json: stages[1].target_lufs: a shared chain has no target")
    assert any(fault.startswith("songs[0].session = nowhere.json: ") for fault in told)
    assert "songs[1].exceptions[0].set: hld.ratio: no stage is called 'hld'; did you mean hold?" in told
    assert any(fault.startswith("songs[2]: deliver[0]: stems need the mix") for fault in told)


def test_a_song_that_cannot_run_the_chain_is_told_before_any_is_rendered(tmp_path):
    """A key that one song has not, a filter that its rate cannot hold."""
    chain = [{"stage": "compressor", "key": {"from": "all"}}, {"stage": "eq", "bands": [HIGH_BELL]}]
    album = write_album(tmp_path, chain=chain, levels_db=(0.0, 0.0))
    write_session(tmp_path / "song_1", {"other": noise(1.0, 1, rate_hz=16000)}, rates={"other": 16000})
    with pytest.raises(SettingsFileError) as error:
        load_album(album)
    where = "songs[1]: chain = chain.json: stages"
    filters, keys = error.value.faults
    assert filters.startswith(f"{where}[1]: a filter at 9000 Hz cannot run at 16000 Hz")
    assert keys == f"{where}[0].key.from: 'all' is not a stem, group or return of this song"


def test_a_shared_chain_may_listen_to_what_only_keys(tmp_path):
    """The song's own mix bus does not, so that only the record's chain brings the key before it."""
    chain = [{"stage": "compressor", "key": {"from": "click"}, "threshold_dbfs": -30, "ratio": 4}]
    album = write_album(tmp_path, chain=chain, levels_db=(0.0,))
    stems = {"all": noise(2.0, 1), "click": noise(2.0, 2)}
    write_session(tmp_path / "song_0", stems, stem_keys={"click": {"heard": False}})
    assert reductions(render_album(album, tmp_path / "out"))[0] > 3


def test_a_song_of_a_record_is_recalled_with_the_shared_chain(tmp_path):
    album = write_album(tmp_path, levels_db=(0.0, -3.0))
    recorded = render_album(album, tmp_path / "out")
    for n, song in enumerate(recorded.report["songs"]):
        recalled = recall(recorded.folder / song["folder"], tmp_path / f"song_{n}")
        assert recalled.is_same, recalled


def test_the_albums_own_files_are_not_written_over(tmp_path):
    album = write_album(tmp_path)
    own = album.rename(tmp_path / "Lantern_Hours.album.json")
    before = own.read_bytes()
    with pytest.raises(InputError, match="one of the album's own files"):
        render_album(own, tmp_path)
    assert own.read_bytes() == before
