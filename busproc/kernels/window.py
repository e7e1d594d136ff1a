"""The window under which the package's interpolators are cut: design only, no audio."""

from __future__ import annotations

import math


def kaiser_beta(stopband_db: float) -> float:
    """Shape of a Kaiser window that reaches a stop band, for more than 50 dB (Kaiser 1974, from memory)."""
    return 0.1102 * (stopband_db - 8.7)


def kaiser(x: float, beta: float) -> float:
    """Kaiser window at `x`, -1 to 1 from edge to edge, 1 in the middle; `math` only.

    >>> round(kaiser(0.5, kaiser_beta(140)), 6)
    0.154874
    """
    return _bessel_i0(beta * math.sqrt(1 - x * x)) / _bessel_i0(beta)


def half_band(reach: int, beta: float) -> list[float]:
    """Weights of the frames 1/2, 3/2 .. away, on either side, that give the value in between.

    A sinc under a Kaiser window, scaled so that a constant passes unchanged.
    """
    places = [k + 0.5 for k in range(reach)]
    taps = [math.sin(math.pi * x) / (math.pi * x) * kaiser(x / reach, beta) for x in places]
    scale = 0.5 / math.fsum(taps)
    return [tap * scale for tap in taps]


def _bessel_i0(x: float) -> float:
    """Modified Bessel function of the first kind, order 0, by its power series."""
    term, total, k = 1.0, 1.0, 1
    while term > total * 1e-17:
        term *= (x / (2.0 * k)) ** 2
        total += term
        k += 1
    return total
