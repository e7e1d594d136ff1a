"""Levels that move over time: rides and fades."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from busproc.kernels.jit import kernel

Audio = NDArray[np.float64]


@kernel
def ride_gain(times_s: Audio, levels_db: Audio, rate_hz: float, first_frame: int, frames: int) -> Audio:
    """Gain along breakpoints, straight lines in dB between them and level before and after.

    `times_s` and `levels_db (points,)`, times rising. Returns `(frames,)` from `first_frame` on.
    """
    gain = np.empty(frames)
    point = 0
    for n in range(frames):
        now = (first_frame + n) / rate_hz
        while point < times_s.shape[0] and times_s[point] <= now:
            point += 1
        if point == 0:
            db = levels_db[0]
        elif point == times_s.shape[0]:
            db = levels_db[point - 1]
        else:
            share = (now - times_s[point - 1]) / (times_s[point] - times_s[point - 1])
            db = levels_db[point - 1] + share * (levels_db[point] - levels_db[point - 1])
        gain[n] = 10.0 ** (db / 20.0)
    return gain


@kernel
def fade_gain(first: int, frames: int, length: int, fade_in: float, fade_out: float) -> Audio:
    """Half-cosine fades at both ends of a sound of `length` frames, for `frames` from `first` on."""
    gain = np.ones(frames)
    for n in range(frames):
        since, left = first + n, length - 1 - (first + n)
        if since < fade_in:
            gain[n] *= 0.5 - 0.5 * math.cos(math.pi * since / fade_in)
        if left < fade_out:
            gain[n] *= 0.5 - 0.5 * math.cos(math.pi * left / fade_out)
    return gain


@kernel
def add_columns(total: Audio, fed: Audio, columns: NDArray[np.int64]) -> None:
    """Add each column of `fed (frames, columns, 2)` to the one of `total` it goes to: pairs (from, to)."""
    for n in range(total.shape[0]):
        for k in range(columns.shape[0]):
            source, into = columns[k, 0], columns[k, 1]
            total[n, into, 0] += fed[n, source, 0]
            total[n, into, 1] += fed[n, source, 1]
