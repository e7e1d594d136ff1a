"""Sound that goes round: what a line is fed, and what is heard of it.

Sounds are `(frames, lanes, 2)`; a matrix's rows are those of left and right in what comes out.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busproc.kernels.jit import kernel

Audio = NDArray[np.float64]
Rows = tuple[tuple[float, float], tuple[float, float]]

TINY = 1e-30


@kernel
def rested(value: float) -> float:
    """A value, or nothing where it is as good as nothing."""
    return value if abs(value) > TINY else 0.0


@kernel
def feed(line: Audio, x: Audio, echoes: Audio, into: Rows, back: Rows) -> None:
    """Write new sound by the matrix `into`, and what comes round by `back`, to `line`."""
    (left_left, right_left), (left_right, right_right) = into
    (l_l, r_l), (l_r, r_r) = back
    for n in range(line.shape[0]):
        for k in range(line.shape[1]):
            left, right = echoes[n, k, 0], echoes[n, k, 1]
            new_left, new_right = x[n, k, 0], x[n, k, 1]
            line[n, k, 0] = rested(
                (left_left * new_left + right_left * new_right) + (l_l * left + r_l * right)
            )
            line[n, k, 1] = rested(
                (left_right * new_left + right_right * new_right) + (l_r * left + r_r * right)
            )


@kernel
def blend(out: Audio, x: Audio, echoes: Audio, dry: float, rows: Rows, gain: Audio) -> None:
    """Write `dry` times the sound and the echoes by a matrix to `out`, these turned down by `gain (frames,)`.

    An empty gain leaves them as loud as they are.
    """
    (left_left, right_left), (left_right, right_right) = rows
    for n in range(out.shape[0]):
        level = gain[n] if gain.shape[0] else 1.0
        for k in range(out.shape[1]):
            left, right = level * echoes[n, k, 0], level * echoes[n, k, 1]
            out[n, k, 0] = dry * x[n, k, 0] + (left_left * left + right_left * right)
            out[n, k, 1] = dry * x[n, k, 1] + (left_right * left + right_right * right)
