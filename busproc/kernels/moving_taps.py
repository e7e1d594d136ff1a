"""Copies of a sound that are late by a time that moves.

The sound between the frames is a sinc of 32 frames under a Kaiser window, kept for 256 places between two
frames and drawn straight between them. Within -75 dB of the true sound up to 18 kHz at 44.1 and 48 kHz,
within -72 dB up to 20 kHz at 48 kHz, wherever it is read (measured).
"""

from __future__ import annotations

import functools
import math

import numpy as np
from numpy.typing import NDArray

from busproc.kernels.jit import kernel
from busproc.kernels.vector import load, splat, store
from busproc.kernels.window import kaiser, kaiser_beta

Audio = NDArray[np.float64]

TAPS = 32
REACH = TAPS // 2
"""Frames that a value needs on either side; no delay may be shorter."""
PLACES = 256
_WINDOW_DB = 80.0


@functools.cache
def weights() -> Audio:
    """Weights `(257, 32)` of the frames around a place, the oldest first.

    Row k stands for a delay of k / 256 frames beyond a whole one.
    """
    made = np.array([_weights_at(place / PLACES) for place in range(PLACES + 1)])
    made.setflags(write=False)
    return made


def _weights_at(part: float) -> list[float]:
    """Scaled so that a constant passes unchanged."""
    beta = kaiser_beta(_WINDOW_DB)
    away = [REACH - k - part for k in range(TAPS)]
    row = [_sinc(x) * kaiser(x / REACH, beta) for x in away]
    scale = 1 / math.fsum(row)
    return [weight * scale for weight in row]


def _sinc(x: float) -> float:
    return math.sin(math.pi * x) / (math.pi * x) if x else 1.0


@kernel
def wander(aims: Audio, steps: Audio, first: int, frames: int) -> Audio:
    """Delay of each copy in each frame from `first` on: `(copies, frames)`.

    From one of its `aims (copies, count)` to the next in `steps (copies,)` frames, round and round, at a
    pace that grows and falls as the slope of 3 t^2 - 2 t^3 does: at most 1.5 times the mean. Frame 0 stands
    at the first aim, whatever frame a run begins with.
    """
    delays = np.empty((aims.shape[0], frames))
    for c in range(aims.shape[0]):
        for n in range(frames):
            at = (first + n) / steps[c]
            k = int(np.floor(at))
            t = at - k
            here, there = aims[c, k % aims.shape[1]], aims[c, (k + 1) % aims.shape[1]]
            delays[c, n] = here + (t * t * (3.0 - 2.0 * t)) * (there - here)
    return delays


@kernel
def add_copies(out: Audio, heard: Audio, delays: Audio, rows: Audio, gains: Audio) -> None:
    """Add copies to `out (frames, lanes, 2)`, late by `delays (copies, frames)`, each `REACH` or more.

    `heard (lanes, past + frames)` has enough of the past; `rows` are `weights()`, `gains (copies, 2)` are
    those of left and right.
    """
    past, size = heard.shape[1] - out.shape[0], heard.shape[1]
    flat, table, weight, sums = heard.reshape(-1), rows.reshape(-1), np.empty(TAPS), np.empty(4)
    for n in range(out.shape[0]):
        for c in range(delays.shape[0]):
            whole = int(delays[c, n])
            place = (delays[c, n] - whole) * PLACES
            row = int(place)
            near, far = row * TAPS, (row + 1) * TAPS
            share = splat(place - row)
            for k in range(0, TAPS, 4):
                one = load(table, near + k)
                store(weight, k, one + share * (load(table, far + k) - one))
            for lane in range(out.shape[1]):
                at = lane * size + past + n - whole - REACH
                total = load(weight, 0) * load(flat, at)
                for k in range(4, TAPS, 4):
                    total = total + load(weight, k) * load(flat, at + k)
                store(sums, 0, total)
                value = (sums[0] + sums[1]) + (sums[2] + sums[3])
                out[n, lane, 0] += gains[c, 0] * value
                out[n, lane, 1] += gains[c, 1] * value
