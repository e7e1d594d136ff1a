"""A limiter's gain: true peaks found between the samples, a minimum ahead of each, eased in and out."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from busproc.kernels.jit import kernel

Audio = NDArray[np.float64]
Counts = NDArray[np.int64]

SNAP = 1e-6
"""Reduction (linear) at which a release is over."""

ONE = 1 << 36
"""Gain 1 in the whole numbers in which the easing sums run, so that they never drift."""


@kernel
def peak_in_cells(fine: Audio, factor: int, memory: Audio) -> Audio:
    """Largest magnitude in each cell of `factor` oversampled frames, both sides, peaks refined.

    `fine (frames * factor, 2)` to `(frames,)`. Where a sample is larger than its neighbours a parabola
    through the three finds the peak between them. `memory (2, 2)`: the two samples before, per side,
    updated. A peak at a cell's last sample is refined in the next cell.
    """
    frames = fine.shape[0] // factor
    peaks = np.zeros(frames)
    for side in range(2):
        before, middle = memory[side, 0], memory[side, 1]
        for n in range(frames):
            peak = 0.0
            for j in range(n * factor, (n + 1) * factor):
                after = abs(fine[j, side])
                if middle > before and middle >= after:
                    bend = before - 2.0 * middle + after
                    peak = max(peak, middle - (before - after) ** 2 / (8.0 * bend))
                peak = max(peak, after)
                before, middle = middle, after
            peaks[n] = max(peaks[n], peak)
        memory[side, 0], memory[side, 1] = before, middle
    return peaks


@kernel
def slide_minimum(x: Audio, length: int, values: Audio, places: Counts, ends: Counts) -> Audio:
    """Minimum of the last `length` values at each frame.

    A queue of rising values in rings `values (length,)` and `places (length,)`; `ends (3,)`: position of
    its head, how many it holds, and the frame number; all updated.
    """
    lowest = np.empty(x.shape[0])
    head, held, frame = ends[0], ends[1], ends[2]
    for n in range(x.shape[0]):
        while held > 0 and values[(head + held - 1) % length] >= x[n]:
            held -= 1
        if held > 0 and places[head] <= frame - length:
            head = (head + 1) % length
            held -= 1
        tail = (head + held) % length
        values[tail], places[tail] = x[n], frame
        held += 1
        lowest[n] = values[head]
        frame += 1
    ends[0], ends[1], ends[2] = head, held, frame
    return lowest


@kernel
def release(
    wanted: Audio, fast_keep: float, slow_up_keep: float, slow_down_keep: float, share: float, memory: Audio
) -> Audio:
    """Follow a gain down at once and up at two speeds, never above it.

    A slow part follows `share` of the reduction, a fast part what is left above it; so a single peak
    recovers fast and sustained limiting slowly. `memory (2,)`: fast and slow reduction, updated.
    """
    gain = np.empty(wanted.shape[0])
    fast, slow = memory[0], memory[1]
    for n in range(wanted.shape[0]):
        depth = 1.0 - wanted[n]
        aim = share * depth
        slow = aim + (slow_up_keep if aim > slow else slow_down_keep) * (slow - aim)
        if slow < SNAP:
            slow = 0.0
        left = fast * fast_keep
        fast = max(depth - slow, left if left > SNAP else 0.0)
        gain[n] = 1.0 - max(depth, slow + fast)
    memory[0], memory[1] = fast, slow
    return gain


@kernel
def ease(gain: Audio, lengths: Counts, rings: Counts, sums: Counts, places: Counts) -> Audio:
    """Smooth a gain with three running means of `lengths (3,)` frames: non-negative weights, sum one.

    Sums run in whole numbers of 2**-36, rounded down, so they are exact for ever and a gain of 1 stays
    1. `rings (3, longest)`, `sums (3,)` and `places (3,)` are updated; fresh rings hold gain 1.
    """
    eased = np.empty(gain.shape[0])
    for n in range(gain.shape[0]):
        value = np.int64(math.floor(gain[n] * ONE))
        for k in range(3):
            place = places[k]
            sums[k] += value - rings[k, place]
            rings[k, place] = value
            places[k] = place + 1 if place + 1 < lengths[k] else 0
            value = sums[k] // lengths[k]
        eased[n] = value / ONE
    return eased
