"""The largest magnitude of a wave between its samples, found by doubling the rate step by step."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from busproc.kernels.jit import kernel

if TYPE_CHECKING:
    from numpy.typing import NDArray

_TILE_FRAMES = 128


@kernel
def largest(wave: NDArray[np.float64]) -> float:
    """Return the largest magnitude in `wave`."""
    peak = 0.0
    for value in wave:
        peak = max(peak, abs(value))
    return peak


@kernel
def fill_between(wave: NDArray[np.float64], taps: NDArray[np.float64], between: NDArray[np.float64]) -> int:
    """Interpolate interleaved stereo half-way between its frames; return how many values were written.

    `taps[k]` weighs the frames k + 1/2 away on either side; their number is even. `between[0]` lies after
    frame len(taps) - 1 of `wave`, the first that has enough neighbours.
    """
    pairs = len(taps)
    size = len(wave) - 2 * (2 * pairs - 1)
    between[:size] = 0.0
    for k in range(0, pairs, 2):
        near, far = taps[k], taps[k + 1]
        before = wave[2 * (pairs - 2 - k) :]
        after = wave[2 * (pairs + k) :]
        for j in range(size):
            between[j] += near * (before[j + 2] + after[j]) + far * (before[j] + after[j + 2])
    return size


@kernel
def double(
    wave: NDArray[np.float64],
    skipped: int,
    between: NDArray[np.float64],
    size: int,
    doubled: NDArray[np.float64],
) -> None:
    """Interleave `wave` from frame `skipped` on with `size` values of `between` into `doubled` (2 * size)."""
    kept = wave[2 * skipped :]
    for i in range(size // 2):
        doubled[4 * i] = kept[2 * i]
        doubled[4 * i + 1] = kept[2 * i + 1]
        doubled[4 * i + 2] = between[2 * i]
        doubled[4 * i + 3] = between[2 * i + 1]


@kernel
def interpolated_peak(
    audio: NDArray[np.float64],
    history: NDArray[np.float64],
    taps: NDArray[np.float64],
    pairs: NDArray[np.int64],
    reach: NDArray[np.float64],
    highest: float,
) -> float:
    """Return the larger of `highest` and the peak of the oversampled wave of interleaved stereo `audio`.

    Doubling number s uses the first `pairs[s]` of `taps[s]`. From samples no larger than 1 it and those after
    it make nothing larger than `reach[s]`, so a tile that cannot beat `highest` is left early at no loss.
    `history` (context frames * 2) holds the frames before `audio` and is updated.
    """
    context = len(history)
    wave = np.empty((context + 2 * _TILE_FRAMES) << len(pairs))
    doubled = np.empty_like(wave)
    between = np.empty_like(wave)
    for start in range(0, len(audio), 2 * _TILE_FRAMES):
        fresh = audio[start : start + 2 * _TILE_FRAMES]
        size = context + len(fresh)
        wave[:context] = history
        wave[context:size] = fresh
        history[:] = wave[size - context : size]
        peak = largest(wave[:size])
        highest = max(highest, peak)
        for step in range(len(pairs)):
            if peak * reach[step] <= highest:
                break
            made = fill_between(wave[:size], taps[step, : pairs[step]], between)
            peak = max(peak, largest(between[:made]))
            highest = max(highest, peak)
            double(wave, pairs[step] - 1, between, made, doubled)
            wave, doubled = doubled, wave
            size = 2 * made
    return highest
