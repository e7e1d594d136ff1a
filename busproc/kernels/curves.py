"""Memoryless curves y = x + mix * (f(drive x) / (drive f'(0)) - x), as the ratio y / x.

Quiet sound passes at its level, as the curve's slope at rest is divided out. Each kernel takes
`x (frames, 2)` and gives the ratio for each value.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from busproc.kernels.jit import kernel


@kernel
def cubic_ratio(x: NDArray[np.float64], drive: float, mix: float) -> NDArray[np.float64]:
    """f(u) = u - u^3 / 3, held at 2/3 from u = 1 on: slope and value are continuous there."""
    ratio = np.empty(x.shape)
    wave, bend = np.ascontiguousarray(x).reshape(-1), ratio.reshape(-1)
    for n in range(wave.shape[0]):
        u = abs(drive * wave[n])
        bent = 1.0 - u * u / 3.0 if u < 1.0 else 2.0 / (3.0 * u)
        bend[n] = 1.0 + mix * (bent - 1.0)
    return ratio


@kernel
def clip_ratio(x: NDArray[np.float64], drive: float, mix: float) -> NDArray[np.float64]:
    """f(u) = u, held at 1 from u = 1 on."""
    ratio = np.empty(x.shape)
    wave, bend = np.ascontiguousarray(x).reshape(-1), ratio.reshape(-1)
    for n in range(wave.shape[0]):
        u = abs(drive * wave[n])
        bend[n] = 1.0 if u <= 1.0 else 1.0 + mix * (1.0 / u - 1.0)
    return ratio


@kernel
def asymmetric_ratio(x: NDArray[np.float64], drive: float, mix: float, bias: float) -> NDArray[np.float64]:
    """f(u) = tanh(u + bias) - tanh(bias).

    The difference cancels near u = 0, so it is written by the addition theorem of tanh: with
    t = tanh(u) and s = tanh(bias), f(u) = t (1 - s^2) / (1 + s t), and 1 - s^2 is the slope at rest.
    Below |u| of 1e-8 the quotient t / u is 1 to the last bit, and 1 + s t is taken as it is.
    """
    ratio = np.empty_like(x)
    slant = math.tanh(bias)
    for n in range(x.shape[0]):
        for side in range(2):
            u = drive * x[n, side]
            t = math.tanh(u)
            straight = t / u if abs(u) > 1e-8 else 1.0
            ratio[n, side] = 1.0 + mix * (straight / (1.0 + slant * t) - 1.0)
    return ratio
