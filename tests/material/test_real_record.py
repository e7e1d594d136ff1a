"""A record of real songs, as unlike as they come: driven alike, and left at one loudness."""

from __future__ import annotations

import json

import numpy as np
import pyloudnorm
import pytest
import soundfile as sf

from busproc.album.rendering import render_album
from busproc.engine import Engine
from busproc.presets import preset_path
from tests.album.test_record import mixes
from tests.songs import write_session

pytestmark = pytest.mark.material

SECTOID = "fretsonfire-songs-sectoid/usr/share/games/fretsonfire/data/songs/sectoid"
SONGS = {
    "Feelings": (f"{SECTOID}/Feelings/song.ogg", f"{SECTOID}/Feelings/guitar.ogg"),
    "Freedom": (f"{SECTOID}/War of freedom/song.ogg", f"{SECTOID}/War of freedom/guitar.ogg"),
    "Slow": ("xmoto-data/usr/share/games/xmoto/Textures/Musics/foxrun.ogg",),
    "Lively": ("xmoto-data/usr/share/games/xmoto/Textures/Musics/legolodio.ogg",),
}
"""Songs and their stems: two of them come as a band and its guitar."""

FROM_S, LENGTH_S = 30, 25


def album_of(folder, material, **rest):
    for song, files in SONGS.items():
        stems, rate_hz = {}, 0
        for n, file in enumerate(files):
            rate_hz = sf.info(material / file).samplerate
            stems[f"stem {n}"], _ = sf.read(
                material / file, frames=LENGTH_S * rate_hz, start=FROM_S * rate_hz, always_2d=True
            )
        write_session(folder / song, stems, rates=dict.fromkeys(stems, rate_hz), song=song, rate_hz=rate_hz)
    (folder / "chain.json").write_text(preset_path("open_and_gentle").read_text())
    album = {
        "format": "busproc-album/1",
        "album": "Unlike",
        "chain": "chain.json",
        "songs": [{"session": f"{song}/session.json"} for song in SONGS],
        "deliver": [{"bits": 24}],
    }
    (folder / "album.json").write_text(json.dumps(album | rest))
    return folder / "album.json"


def entered(recorded):
    return [song["drive"]["measured"] + song["drive"]["trim_db"] for song in recorded.report["songs"]]


def test_unlike_songs_are_driven_and_leave_alike(material, tmp_path):
    loud = {"how": "per_song", "target_lufs": -16.0}
    album = album_of(tmp_path, material, loudness=loud)
    recorded = render_album(album, tmp_path / "out", engine=Engine(jobs=2))
    assert np.ptp([song["drive"]["measured"] for song in recorded.report["songs"]]) > 3
    assert np.ptp(entered(recorded)) < 0.1
    for file in mixes(recorded):
        audio, rate_hz = sf.read(file)
        meter = pyloudnorm.Meter(rate_hz, filter_class="DeMan")
        assert meter.integrated_loudness(audio) == pytest.approx(-16.0, abs=0.1)
    assert not {"drive", "loudness"} & {each["what"] for each in recorded.report["departures"]}


def test_without_calibration_the_report_shows_how_unlike_they_are(material, tmp_path):
    recorded = render_album(album_of(tmp_path, material, calibrate=None), tmp_path / "out")
    assert np.ptp(entered(recorded)) > 3
    assert {"drive", "loudness"} <= {each["what"] for each in recorded.report["departures"]}
