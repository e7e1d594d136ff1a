"""Up to 32 times the rate and back through half-band filters, stage by stage.

Each stage doubles the rate with a linear-phase half-band filter (Kaiser window, 140 dB): the samples
that were there pass untouched, those between are a weighted sum of neighbours. The first stage decides
the pass band (flat to 20 kHz at 44.1 kHz); the later ones have room and are short. Halving uses the
same filters. Source of the window and its length rule: J. F. Kaiser, 'Nonrecursive digital filter
design using the I0-sinh window function', 1974 (formula from memory, response measured in the tests).
"""

from __future__ import annotations

import functools

import numpy as np
from numpy.typing import NDArray

from busproc.kernels.jit import kernel
from busproc.kernels.window import half_band, kaiser_beta

Audio = NDArray[np.float64]

REACH = (52, 10, 8, 8, 16)
"""Neighbours on either side, for each doubling. Chosen so that every delay is a whole base frame."""

STOPBAND_DB = 140.0


@functools.cache
def taps(stage: int) -> Audio:
    """Weights of the nearest, second nearest .. neighbours on one side, for a doubling (0 is the first)."""
    made = np.array(half_band(REACH[stage], kaiser_beta(STOPBAND_DB)))
    made.setflags(write=False)
    return made


def up_latency_frames(factor: int) -> int:
    """Delay of `up` alone, in frames at the base rate."""
    return sum(REACH[stage] >> stage for stage in range(_doublings(factor)))


def latency_frames(factor: int) -> int:
    """Delay of `up` followed by `down`, in frames at the base rate."""
    return 2 * up_latency_frames(factor)


def start_up(factor: int, columns: int) -> list[Audio]:
    """Make fresh memories of `up`."""
    return [np.zeros((columns, 2 * REACH[stage])) for stage in range(_doublings(factor))]


def start_down(factor: int, columns: int) -> list[Audio]:
    """Make fresh memories of `down`: pairs of (even, odd) samples."""
    return [np.zeros((2, columns, 2 * REACH[stage])) for stage in range(_doublings(factor))]


def up(factor: int, memory: list[Audio], x: Audio) -> Audio:
    """Raise the rate of `x (frames, columns)`; returns `(frames * factor, columns)`."""
    y = np.ascontiguousarray(x.T)
    for stage in range(_doublings(factor)):
        y = double_rate(taps(stage), memory[stage], y)
    return np.ascontiguousarray(y.T)


def down(factor: int, memory: list[Audio], x: Audio) -> Audio:
    """Lower the rate of `x (frames * factor, columns)`; returns `(frames, columns)`."""
    y = np.ascontiguousarray(x.T)
    for stage in reversed(range(_doublings(factor))):
        y = halve_rate(taps(stage), memory[stage], y)
    return np.ascontiguousarray(y.T)


def _doublings(factor: int) -> int:
    return factor.bit_length() - 1


@kernel
def double_rate(weights: Audio, memory: Audio, x: Audio) -> Audio:
    """Put a sample between any two of `x (columns, frames)`, delayed by the filter's reach.

    `weights (reach,)`; `memory (columns, 2 * reach)` holds the samples before and is updated.
    """
    columns, frames = x.shape
    reach = weights.shape[0]
    y = np.empty((columns, 2 * frames))
    joined = np.empty(2 * reach + frames)
    between = np.empty(frames)
    for c in range(columns):
        joined[: 2 * reach] = memory[c]
        joined[2 * reach :] = x[c]
        between[:] = 0.0
        for i in range(reach):
            weight = weights[i]
            before, after = joined[reach - i :], joined[reach + 1 + i :]
            for n in range(frames):
                between[n] += weight * (before[n] + after[n])
        for n in range(frames):
            y[c, 2 * n] = joined[n + reach]
            y[c, 2 * n + 1] = between[n]
        memory[c] = joined[frames:]
    return y


@kernel
def halve_rate(weights: Audio, memory: Audio, x: Audio) -> Audio:
    """Filter `x (columns, 2 * frames)` and keep every second sample, delayed by the filter's reach.

    `memory (2, columns, 2 * reach)` holds earlier even and odd samples and is updated.
    """
    columns, frames = x.shape[0], x.shape[1] // 2
    reach = weights.shape[0]
    y = np.empty((columns, frames))
    even = np.empty(2 * reach + frames)
    odd = np.empty(2 * reach + frames)
    for c in range(columns):
        even[: 2 * reach] = memory[0, c]
        odd[: 2 * reach] = memory[1, c]
        for n in range(frames):
            even[2 * reach + n] = x[c, 2 * n]
            odd[2 * reach + n] = x[c, 2 * n + 1]
        kept = y[c]
        for n in range(frames):
            kept[n] = 0.5 * even[n + reach]
        for i in range(reach):
            weight = 0.5 * weights[i]
            before, after = odd[reach - 1 - i :], odd[reach + i :]
            for n in range(frames):
                kept[n] += weight * (before[n] + after[n])
        memory[0, c] = even[frames:]
        memory[1, c] = odd[frames:]
    return y
