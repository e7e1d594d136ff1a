"""Counting what a gain curve did, sample by sample, so that no block edge shows in the figures."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from busproc.kernels.jit import kernel

BINS = 6001
"""Reduction from 0 to 60 dB in steps of 0.01 dB; deeper goes into the last."""

POSITION, COUNTED, WORKING, EVENTS, DEEPEST_AT = range(5)
SLOT_DEEPEST, DEEPEST, LAST = range(3)


@kernel
def tally_reduction(
    gain: NDArray[np.float64],
    scale: float,
    rate_hz: int,
    lag: int,
    working_db: float,
    histogram: NDArray[np.int64],
    counts: NDArray[np.int64],
    depths: NDArray[np.float64],
    slots: NDArray[np.float64],
) -> int:
    """Count the reduction -20 lg(gain/scale) of each frame after the first `lag` ones.

    `histogram (BINS,)`, `counts (5,)` and `depths (3,)` are carried and updated. `slots` receives the
    deepest reduction of each tenth of a second that ends here; returns how many ended.
    """
    ended = 0
    for n in range(gain.shape[0]):
        frame = counts[POSITION] - lag
        counts[POSITION] += 1
        if frame < 0:
            continue
        ratio = gain[n] / scale
        depth = 0.0
        if ratio < 1.0:
            depth = -20.0 * math.log10(ratio) if ratio > 1e-6 else 120.0
        histogram[min(int(depth * 100.0 + 0.5), BINS - 1)] += 1
        counts[COUNTED] += 1
        if depth >= working_db:
            counts[WORKING] += 1
            if depths[LAST] < working_db:
                counts[EVENTS] += 1
        depths[LAST] = depth
        if depth > depths[DEEPEST]:
            depths[DEEPEST] = depth
            counts[DEEPEST_AT] = frame
        depths[SLOT_DEEPEST] = max(depths[SLOT_DEEPEST], depth)
        if (frame + 1) * 10 // rate_hz != frame * 10 // rate_hz:
            slots[ended] = depths[SLOT_DEEPEST]
            depths[SLOT_DEEPEST] = 0.0
            ended += 1
    return ended
