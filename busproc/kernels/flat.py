"""Runs of samples that stay where they are, as clipping leaves them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busproc.kernels.jit import kernel

Audio = NDArray[np.float64]

START, LENGTH, LEVEL, ENTRY, EXIT = range(5)
"""Columns of a run: its first frame and length; its first value; how far it stands out of its neighbours."""

_AT, _LENGTH, _LEVEL, _BEFORE, _LAST, _LEAST_STEP = range(6)
BINS = 256
"""Magnitudes from 0 to 2, for the runs that are no tops."""


@kernel
def flat_runs(x: Audio, least: int, tolerance: float, floor: float, state: Audio, others: Audio) -> Audio:
    """Find the runs of `least` samples and more that lie within a share `tolerance` of their first one.

    Those above the magnitude `floor` that stand out of both neighbours, towards the same side as their sign,
    come back as rows (runs, 5) once they have ended. All others are counted by magnitude in `others (BINS,)`.
    `state (6,)` is carried; its last entry is the least step between two samples so far, 0 for none yet.
    """
    found = np.empty((x.shape[0] // least + 1, 5))
    count = 0
    at, length, level, before, last, least_step = state
    for value in x:
        step = abs(value - last)
        if step > 0.0 and (least_step == 0.0 or step < least_step):
            least_step = step
        if length > 0.0 and abs(value - level) <= tolerance * abs(level):
            length += 1.0
        else:
            if length >= least and abs(level) >= floor:
                side = 1.0 if level > 0.0 else -1.0
                entry, leave = side * (level - before), side * (level - value)
                if entry > 0.0 and leave > 0.0:
                    found[count] = np.array([at - length, length, level, entry, leave])
                    count += 1
                else:
                    others[min(int(abs(level) * (BINS / 2)), BINS - 1)] += 1.0
            before, level, length = last, value, 1.0
        last = value
        at += 1.0
    state[:] = np.array([at, length, level, before, last, least_step])
    return found[:count]
