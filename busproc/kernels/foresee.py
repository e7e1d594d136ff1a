"""Linear prediction."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from busproc.kernels.jit import kernel

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Audio = NDArray[np.float64]

LEAST_SHARE = 1e-9
"""So much of the power is taken for noise, so that a pure tone does not make the equations singular."""


@kernel
def foreseeing(past: Audio, order: int) -> Audio:
    """Taps `(order,)`, the first for the frame just before, that best foresee `past (frames, channels)`.

    Source: the covariance method of linear prediction (J. Makhoul, "Linear prediction: a tutorial review",
    Proceedings of the IEEE 63, 1975, from memory).
    """
    products = _products(past, order)
    noise = LEAST_SHARE * products[0, 0] + 1e-20
    factor = np.zeros((order, order))
    taps = np.zeros(order)
    for i in range(order):
        for j in range(i + 1):
            left = products[i + 1, j + 1] + (noise if i == j else 0.0)
            for k in range(j):
                left -= factor[i, k] * factor[j, k]
            factor[i, j] = math.sqrt(max(left, noise)) if i == j else left / factor[j, j]
        left = products[i + 1, 0]
        for k in range(i):
            left -= factor[i, k] * taps[k]
        taps[i] = left / factor[i, i]
    for i in range(order - 1, -1, -1):
        for k in range(i + 1, order):
            taps[i] -= factor[k, i] * taps[k]
        taps[i] /= factor[i, i]
    return taps


@kernel
def surprises(sound: Audio, taps: Audio) -> Audio:
    """What the taps do not foresee of `sound (frames, channels)`, from frame `len(taps)` on."""
    order = len(taps)
    out = sound[order:].copy()
    for frame in range(len(out)):
        for channel in range(out.shape[1]):
            foreseen = 0.0
            for k in range(order):
                foreseen += taps[k] * sound[frame + order - 1 - k, channel]
            out[frame, channel] -= foreseen
    return out


@kernel
def _products(past: Audio, order: int) -> Audio:
    """Sums over time of each frame, so many back, times each other: `(order + 1, order + 1)`, lower half."""
    frames, channels = past.shape
    products = np.zeros((order + 1, order + 1))
    for lag in range(order + 1):
        total = 0.0
        for frame in range(order, frames):
            for channel in range(channels):
                total += past[frame, channel] * past[frame - lag, channel]
        products[lag, 0] = total
        for back in range(1, order + 1 - lag):
            for channel in range(channels):
                total += past[order - back, channel] * past[order - back - lag, channel]
                total -= past[frames - back, channel] * past[frames - back - lag, channel]
            products[back + lag, back] = total
    return products
