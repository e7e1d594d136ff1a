"""Around the Fourier transform of a power spectrum: the window before it, the power after it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from busproc.kernels.jit import kernel

if TYPE_CHECKING:
    from numpy.typing import NDArray


@kernel
def quarter_sine(size: int) -> NDArray[np.float64]:
    """Return a ramp from 0 to 1 whose square and that of its mirror image add up to 1."""
    ramp = np.empty(size)
    for i in range(size):
        ramp[i] = math.sin(0.5 * math.pi * (i + 0.5) / size)
    return ramp


@kernel
def window_channels(
    audio: NDArray[np.float64], ramp: NDArray[np.float64], channels: NDArray[np.float64]
) -> None:
    """Spread `audio` (size, 2) into `channels` (2, size), the ends faded by `ramp` and its mirror image."""
    size = len(audio)
    for c in range(2):
        for i in range(size):
            channels[c, i] = audio[i, c]
        for i in range(len(ramp)):
            channels[c, i] *= ramp[i]
            channels[c, size - 1 - i] *= ramp[i]


@kernel
def add_power(bins: NDArray[np.complex128], power: NDArray[np.float64]) -> None:
    """Add the squared magnitude of both rows of `bins` (2, n) to `power[0]`, folded to mono to `power[1]`."""
    for k in range(power.shape[1]):
        left, right = bins[0, k], bins[1, k]
        both = left + right
        power[0, k] += (left.real * left.real + left.imag * left.imag) + (
            right.real * right.real + right.imag * right.imag
        )
        power[1, k] += 0.5 * (both.real * both.real + both.imag * both.imag)
