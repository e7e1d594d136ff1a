"""Whole numbers that add up: each addend rounded so that all together give a given sum."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busproc.kernels.jit import kernel


@kernel
def share_out(addends: NDArray[np.float64], sums: NDArray[np.int32], shared: NDArray[np.int32]) -> int:
    """Round `addends (frames, addends, channels)` into `shared`, to add up to `sums (frames, channels)`.

    Each is rounded to the nearest; what the sum then lacks is given, one step at a time, to the addend
    that is furthest off in that direction (the first of equals), and never to one that is exactly zero.
    Returns how many steps were not given, because every addend was zero or they do not add up at all.
    Source: the method of largest remainders (textbook), for every frame and channel.
    """
    frames, count, channels = addends.shape
    left_over = 0
    for n in range(frames):
        for c in range(channels):
            lacking = np.int64(sums[n, c])
            sounding = 0
            for k in range(count):
                whole = np.int64(np.rint(addends[n, k, c]))
                shared[n, k, c] = whole
                lacking -= whole
                sounding += addends[n, k, c] != 0.0
            if sounding == 0 or abs(lacking) > sounding + 2:
                left_over += int(abs(lacking))
                continue
            step = 1 if lacking > 0 else -1
            for _ in range(abs(lacking)):
                furthest, most = -1, -1e300
                for k in range(count):
                    off = step * (addends[n, k, c] - shared[n, k, c])
                    if addends[n, k, c] != 0.0 and off > most:
                        furthest, most = k, off
                shared[n, furthest, c] += step
    return left_over
