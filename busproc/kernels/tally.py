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


OCTAVE_DB = 20.0 * math.log10(2.0)

TILE_FRAMES = 256
"""Frames whose logarithms are taken at a time."""

_TWO_TO_52 = 4503599627370496.0
_TWO_TO_52_BITS = np.uint64(0x4330000000000000)
_FRACTION = np.uint64(0x000FFFFFFFFFFFFF)
_WIDTH = np.uint64(52)
_HALF_ROOT = np.uint64(0x3FE6A09E667F3BCD)  # bits of the square root of 1/2
_LIFT = np.uint64(0x3FF0000000000000 - 0x3FE6A09E667F3BCD)

# 20 lg(m) = 40/ln 10 (s + s^3/3 + s^5/5 ..) with s = (m - 1)/(m + 1), |s| < 0.1716
_L1, _L3, _L5, _L7, _L9, _L11 = (40.0 / (math.log(10.0) * k) for k in (1, 3, 5, 7, 9, 11))


@kernel
def depth_db(ratio: float) -> float:
    """Reduction -20 lg(ratio), from 0 to 120 dB.

    Error under 1e-9 dB: the series, that of `dynamics.octaves_of`, is cut behind its 11th power.
    """
    lifted = np.float64(min(max(ratio, 1e-6), 1.0)).view(np.uint64) + _LIFT
    octaves = np.uint64((lifted >> _WIDTH) | _TWO_TO_52_BITS).view(np.float64) - (_TWO_TO_52 + 1023.0)
    part = np.uint64((lifted & _FRACTION) + _HALF_ROOT).view(np.float64)
    s = (part - 1.0) / (part + 1.0)
    z = s * s
    rest_db = s * (_L1 + z * (_L3 + z * (_L5 + z * (_L7 + z * (_L9 + z * _L11)))))
    return 0.0 - (OCTAVE_DB * octaves + rest_db)


@kernel
def last_of_slot(frame: int, rate_hz: int) -> int:
    """Last frame of the tenth of a second that a frame is in."""
    return ((frame * 10 // rate_hz + 1) * rate_hz + 9) // 10 - 1


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
    position, counted, working, events, deepest_at = counts
    slot_deepest, deepest, last = depths
    frame, ended = position - lag, 0
    slot_ends = last_of_slot(max(frame, 0), rate_hz)
    depth_of_each = np.empty(TILE_FRAMES)
    for first in range(0, gain.shape[0], TILE_FRAMES):
        tile = gain[first : first + TILE_FRAMES]
        for n in range(tile.shape[0]):
            depth_of_each[n] = depth_db(tile[n] / scale)
        skipped = min(max(-frame, 0), tile.shape[0])
        frame += skipped
        for depth in depth_of_each[skipped : tile.shape[0]]:
            histogram[min(int(depth * 100.0 + 0.5), BINS - 1)] += 1
            counted += 1
            if depth >= working_db:
                working += 1
                if last < working_db:
                    events += 1
            last = depth
            if depth > deepest:
                deepest, deepest_at = depth, frame
            slot_deepest = max(slot_deepest, depth)
            if frame == slot_ends:
                slots[ended] = slot_deepest
                slot_deepest, slot_ends = 0.0, last_of_slot(frame + 1, rate_hz)
                ended += 1
            frame += 1
    counts[:] = np.array([frame + lag, counted, working, events, deepest_at])
    depths[:] = np.array([slot_deepest, deepest, last])
    return ended
