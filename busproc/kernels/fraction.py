"""A stream held back by part of a frame.

The sound between the frames is a sinc under a Kaiser window, centred on the delay.
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

TAPS = 128
LATENCY_FRAMES = TAPS // 2 - 1
"""How late the stream is beyond the part of a frame."""
_WINDOW_DB = 120.0
_ABREAST = 16


def parted(delay_frames: float) -> tuple[int, float]:
    """Whole frames of a delay, and the part of a frame left over, from 0 to less than 1.

    >>> parted(-2.75)
    (-3, 0.25)
    """
    whole = math.floor(delay_frames)
    part = delay_frames - whole
    return (whole, part) if part < 1 else (whole + 1, 0.0)


@functools.lru_cache(maxsize=64)
def taps_of(part: float) -> Audio:
    """Weights `(128,)` of the last frames, the oldest first, that make a delay of 63 frames and `part`.

    `part` is from 0 to 1. Without one the weight is a single 1, `(1,)`. Scaled so that a constant passes
    unchanged.
    """
    beta = kaiser_beta(_WINDOW_DB)
    places = [k - LATENCY_FRAMES - part for k in reversed(range(TAPS))]
    weights = [math.sin(math.pi * x) / (math.pi * x) * kaiser(2 * x / TAPS, beta) for x in places if x]
    scale = 1 / math.fsum(weights)
    made = np.array([weight * scale for weight in weights] if part else [1.0])
    made.setflags(write=False)
    return made


def start(columns: int) -> Audio:
    """Make a fresh memory of `hold_back`."""
    return np.zeros((TAPS - 1, columns))


@kernel
def hold_back(taps: Audio, memory: Audio, x: Audio) -> Audio:
    """Filter each column of `x (frames, columns)` by `taps` from `taps_of`; `memory` is carried and updated.

    A value is the sum of its products from the oldest on, wherever its block begins.
    """
    frames, columns = x.shape
    past, size = memory.size, x.size
    heard, made = np.zeros(past + size + _ABREAST), np.empty(size + _ABREAST)
    for i in range(past):
        heard[i] = memory.flat[i]
    for i in range(size):
        heard[past + i] = x.flat[i]
    since = past - ((TAPS - len(taps)) // 2 + len(taps) - 1) * columns
    for j in range(0, size, _ABREAST):
        at = since + j
        tap = splat(taps[0])
        a, b = tap * load(heard, at), tap * load(heard, at + 4)
        c, d = tap * load(heard, at + 8), tap * load(heard, at + 12)
        for k in range(1, len(taps)):
            at += columns
            tap = splat(taps[k])
            a, b = a + tap * load(heard, at), b + tap * load(heard, at + 4)
            c, d = c + tap * load(heard, at + 8), d + tap * load(heard, at + 12)
        store(made, j, a)
        store(made, j + 4, b)
        store(made, j + 8, c)
        store(made, j + 12, d)
    for i in range(past):
        memory.flat[i] = heard[size + i]
    return made[:size].reshape(frames, columns)
