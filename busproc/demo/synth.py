"""The demo's song as stems, made by code: same rate, same bits."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from busproc.demo import instruments_struck as struck
from busproc.demo import instruments_sustained as sustained
from busproc.demo.instruments import Take
from busproc.demo.score import TEMPO_BPM, TITLE, sections
from busproc.kernels.synth import soften

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["PLAYERS", "TEMPO_BPM", "TITLE", "make_song", "sections"]

_FADE_S = 0.6
PLAYERS = {
    "frame_drum": (struck.frame_drum, -13.0),
    "shaker": (struck.shaker, -16.0),
    "wood_block": (struck.wood_block, -15.5),
    "bass_pizz": (struck.bass_pizz, -14.5),
    "tuba": (sustained.tuba, -13.5),
    "marimba": (struck.marimba, -12.5),
    "vibraphone": (struck.vibraphone, -15.3),
    "flugelhorns": (sustained.flugelhorns, -11.0),
    "strings": (sustained.strings, -12.5),
    "choir": (sustained.choir, -12.0),
}


def make_song(rate_hz: int = 48000) -> dict[str, NDArray[np.float64]]:
    """Play the song.

    Parameters
    ----------
    rate_hz
        Sample rate, 44100 or more; each rate is a performance of its own.

    Returns
    -------
    dict
        Stem name to sound, in track order: `(frames,)` mono or `(frames, 2)` stereo float64, all equally
        long, each peaking between -16 and -11 dBFS.
    """
    stems = {}
    for seed, (name, (player, peak_dbfs)) in enumerate(PLAYERS.items(), start=1):
        track = player(Take(rate_hz, np.random.Generator(np.random.PCG64(seed))))
        stems[name] = _finish(track, peak_dbfs, rate_hz)
    return stems


def _finish(track: NDArray[np.float64], peak_dbfs: float, rate_hz: int) -> NDArray[np.float64]:
    """Track without standing pressure, faded out, brought to its level; one channel becomes `(frames,)`."""
    standing = track.copy()
    soften(standing, 8.0, rate_hz)
    track -= standing
    fade_frames = int(_FADE_S * rate_hz)
    track[-fade_frames:] *= (np.arange(fade_frames - 1.0, -1.0, -1.0) / fade_frames)[:, np.newaxis]
    track *= math.pow(10.0, peak_dbfs / 20.0) / float(np.max(np.abs(track)))
    return track[:, 0] if track.shape[1] == 1 else track
