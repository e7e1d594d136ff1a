"""Second-order sections in series over columns side by side."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busproc.kernels.jit import kernel

TINY = 1e-30


@kernel
def run_sections(
    coefficients: NDArray[np.float64], state: NDArray[np.float64], x: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Filter each column of `x (frames, columns)` by all sections, transposed direct form II.

    `coefficients (sections, 5)`: b0, b1, b2, a1, a2 with a0 = 1. `state (sections, 2, columns)` is
    carried and updated; a section's becomes zero when it falls under 1e-30, so that a tail ends in
    silence and no denormal slows it down.
    """
    y = x.copy()
    frames, columns = x.shape
    for k in range(coefficients.shape[0]):
        b0, b1, b2, a1, a2 = coefficients[k]
        for n in range(frames):
            for c in range(columns):
                value = y[n, c]
                out = b0 * value + state[k, 0, c]
                first = (b1 * value + state[k, 1, c]) - a1 * out
                second = b2 * value - a2 * out
                sounds = abs(first) + abs(second) > TINY
                state[k, 0, c] = first if sounds else 0.0
                state[k, 1, c] = second if sounds else 0.0
                y[n, c] = out
    return y
