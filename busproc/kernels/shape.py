"""Memoryless curves as the ratio of output to input."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from busproc.kernels.jit import kernel


@kernel
def tanh_ratio(x: NDArray[np.float64], drive: float, mix: float) -> NDArray[np.float64]:
    """Ratio 1 + mix * (tanh(drive x) / (drive x) - 1) for each value of `x (frames, 2)`.

    Below |drive x| of 1e-8 the quotient is 1 to the last bit of a double (Taylor: 1 - z^2/3).
    """
    ratio = np.empty_like(x)
    for n in range(x.shape[0]):
        for side in range(2):
            z = drive * x[n, side]
            if abs(z) < 1e-8:
                ratio[n, side] = 1.0
            else:
                ratio[n, side] = 1.0 + mix * (math.tanh(z) / z - 1.0)
    return ratio
