"""Side gain that keeps the correlation of left and right from falling under a floor."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from busproc.kernels.jit import kernel

TINY = 1e-30
QUIET = 1e-12
"""Power added to mid, so that next to silence nothing is narrowed."""

CLOSE = 1e-9
"""A gain so near to 1 becomes 1, so that side is again passed bit for bit."""


@kernel
def side_gain(
    x: NDArray[np.float64], floor: float, mean_keep: float, ease_keep: float, state: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Gain `(frames,)` of side for `x (frames, 2)`: 1 while the running correlation is over `floor` (-1..1).

    With running means P, S, X of m^2, s^2 and m s, side times g gives the correlation
    (P - g^2 S) / sqrt((P + g^2 S)^2 - 4 g^2 X^2); set equal to the floor, that is a quadratic equation in
    g^2. `state (4,)`: P, S, X and the eased gain (start: 1), carried and updated.
    """
    gain = np.empty(x.shape[0])
    share = floor * floor
    for n in range(x.shape[0]):
        m, s = 0.5 * (x[n, 0] + x[n, 1]), 0.5 * (x[n, 0] - x[n, 1])
        for k, power in enumerate((m * m, s * s, m * s)):
            mean = mean_keep * state[k] + (1.0 - mean_keep) * power
            state[k] = mean if abs(mean) > TINY else 0.0
        mid, side, cross = state[0] + QUIET, state[1], state[2]
        a = side * side * (1.0 - share)
        b = mid * side * (1.0 + share) - 2.0 * share * cross * cross
        c = mid * mid * (1.0 - share)
        root = b + math.sqrt(max(0.0, b * b - a * c))
        over, under = (c, root) if floor >= 0.0 else (root, a)
        wanted = math.sqrt(over / under) if 0.0 <= over < under else 1.0
        state[3] += (1.0 - ease_keep) * (wanted - state[3])
        if 1.0 - state[3] < CLOSE:
            state[3] = 1.0
        gain[n] = state[3]
    return gain
