"""A limiter's gain: true peaks found between the samples, a minimum ahead of each, eased in and out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busproc.kernels.jit import kernel
from busproc.kernels.vector import absolute, any_under, load, splat

Audio = NDArray[np.float64]
Counts = NDArray[np.int64]

REFINED_FROM = 0.88
"""A parabola's top is at most an eighth over its middle, so smaller samples than this share stay under."""

SNAP = 1e-6
"""Reduction (linear) at which a release is over."""

ONE = 1 << 36
"""Gain 1 in the whole numbers in which the easing sums run, so that they never drift."""


@kernel
def peak_in_cells(fine: Audio, factor: int, memory: Audio, floor: float = 0.0) -> Audio:
    """Largest magnitude in each cell of `factor` oversampled frames, both sides, peaks refined.

    `fine (frames * factor, 2)` to `(frames,)`, an even factor. A peak at a cell's last sample is refined in
    the next cell. `memory (2, 2)`: the two frames before, updated. A cell without a peak over `floor` may
    read less than it has: cells of samples too small for one are passed over and read 0.
    """
    flat, values = np.ascontiguousarray(fine).reshape(-1), 2 * factor
    least, found = REFINED_FROM * floor, np.empty(values)
    peaks = np.zeros(flat.shape[0] // values)
    if peaks.shape[0]:
        first = np.concatenate((memory.reshape(-1), flat[:values]))
        if reaches(first, 0, first.shape[0], least):
            peaks[0] = peak_of_cell(first, found)
    for n in range(1, peaks.shape[0]):
        start, stop = n * values - 4, (n + 1) * values
        if reaches(flat, start, stop, least):
            peaks[n] = peak_of_cell(flat[start:stop], found)
    if peaks.shape[0]:
        memory[:] = fine[-2:]
    return peaks


@kernel
def reaches(values: Audio, start: int, stop: int, least: float) -> bool:
    """Whether any of the magnitudes is `least` or more."""
    loud = False
    for at in range(start, stop, 4):
        loud |= any_under(splat(0.0) - absolute(load(values, at)), -least)
    return loud


@kernel
def peak_of_cell(values: Audio, found: Audio) -> float:
    """Largest magnitude in a cell, left and right by turns, from two frames before it on."""
    before, middle, after = values, values[2:], values[4:]
    for i in range(found.shape[0]):  # a loop without memory, several values at a time
        found[i] = refined(abs(before[i]), abs(middle[i]), abs(after[i]))
    peak = 0.0
    for i in range(found.shape[0]):
        peak = max(peak, found[i])
    return peak


@kernel
def refined(before: float, middle: float, after: float) -> float:
    """The last of three magnitudes, or the top of the parabola through them where the middle is highest."""
    highest = middle > before and middle >= after
    bend = before - 2.0 * middle + after if highest else -1.0
    top = middle - (before - after) ** 2 / (8.0 * bend) if highest else after
    return max(top, after)


@kernel
def slide_minimum(x: Audio, length: int, values: Audio, places: Counts, ends: Counts) -> Audio:
    """Minimum of the last `length` values at each frame.

    A queue of rising values in rings `values (length,)` and `places (length,)`; `ends (3,)`: position of
    its head, how many it holds, and the frame number; all updated.
    """
    lowest = np.empty(x.shape[0])
    head, held, frame = ends[0], ends[1], ends[2]
    tail = (head + held - 1) % length
    for n in range(x.shape[0]):
        while held > 0 and values[tail] >= x[n]:
            held -= 1
            tail = tail - 1 if tail > 0 else length - 1
        if held > 0 and places[head] <= frame - length:
            held -= 1
            head = head + 1 if head + 1 < length else 0
        held += 1
        tail = tail + 1 if tail + 1 < length else 0
        values[tail], places[tail] = x[n], frame
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
    """Smooth a gain, 0 to 1, with three running means of `lengths (3,)` frames: positive weights, sum one.

    Sums run in whole numbers of 2**-36, rounded down, so they are exact for ever and a gain of 1 stays
    1. `rings (3, longest)`, `sums (3,)` and `places (3,)` are updated; fresh rings hold gain 1.
    """
    whole, eased = np.empty(gain.shape[0], dtype=np.int64), np.empty(gain.shape[0])
    for n in range(gain.shape[0]):
        whole[n] = np.int64(gain[n] * ONE)
    for k in range(3):
        sums[k], places[k] = run_mean(whole, lengths[k], rings[k], sums[k], places[k])
    for n in range(gain.shape[0]):
        eased[n] = whole[n] / ONE
    return eased


@kernel
def run_mean(x: Counts, length: int, ring: Counts, total: int, place: int) -> tuple[int, int]:
    """Replace whole numbers by the mean of the last `length`, rounded down; returns sum and place in `ring`.

    To multiply by 1/length is faster than to divide by it, and from half past a whole number the
    rounding, under 2**-16, cannot carry it over another: exact for lengths under 2**14.
    """
    for n in range(x.shape[0]):
        total += x[n] - ring[place]
        ring[place] = x[n]
        place = place + 1 if place + 1 < length else 0
        x[n] = total
    share = 1.0 / length
    for n in range(x.shape[0]):
        x[n] = np.int64((x[n] + 0.5) * share)
    return total, place
