"""The demo's songs as stems, made by code: same rate, same bits."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from busproc.demo import instruments_struck as struck
from busproc.demo import instruments_sustained as sustained
from busproc.demo.harbour_lamps import HARBOUR_LAMPS
from busproc.demo.instruments import Take
from busproc.demo.score import Score
from busproc.kernels.synth import soften

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

_FADE_S = 0.6
PLAYERS: dict[str, tuple[Callable[[Take], NDArray[np.float64]], float, tuple[str, ...]]] = {
    "frame_drum": (struck.frame_drum, -13.0, ("frame_drum",)),
    "shaker": (struck.shaker, -16.0, ("shaker",)),
    "wood_block": (struck.wood_block, -15.5, ("wood_block",)),
    "bass_pizz": (struck.bass_pizz, -14.5, ("bass",)),
    "tuba": (sustained.tuba, -13.5, ("tuba",)),
    "marimba": (struck.marimba, -12.5, ("marimba", "marimba_low")),
    "vibraphone": (struck.vibraphone, -15.3, ("vibraphone",)),
    "flugelhorns": (sustained.flugelhorns, -11.0, ("flugelhorn_1", "flugelhorn_2", "flugelhorn_3")),
    "strings": (sustained.strings, -12.5, ("violins", "violas", "cellos")),
    "choir": (sustained.choir, -12.0, ("sopranos", "altos", "tenors", "basses")),
}
"""Stem name to player, peak in dBFS and the lines that it plays."""


def players_of(score: Score) -> list[str]:
    """Names of the stems of a song, in track order: those who have a line to play."""
    return [name for name, (_, _, lines) in PLAYERS.items() if {*lines} & {*score.notes, *score.strokes}]


def make_song(rate_hz: int = 48000, score: Score = HARBOUR_LAMPS) -> dict[str, NDArray[np.float64]]:
    """Play a song.

    Parameters
    ----------
    rate_hz
        Sample rate, 44100 or more; each rate is a performance of its own.
    score
        What is played.

    Returns
    -------
    dict
        Stem name to sound, in track order: `(frames,)` mono or `(frames, 2)` stereo float64, all equally
        long, each peaking between -16 and -11 dBFS.
    """
    stems = {}
    playing = players_of(score)
    for seed, (name, (player, peak_dbfs, _)) in enumerate(PLAYERS.items(), start=score.seed):
        if name in playing:
            track = player(Take(score, rate_hz, np.random.Generator(np.random.PCG64(seed))))
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
