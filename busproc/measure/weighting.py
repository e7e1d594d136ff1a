"""How much quieter a tone counts for the ear, by a standard's curve."""

from __future__ import annotations

import math

A_POLES_HZ = (20.598997, 107.65265, 737.86223, 12194.217)
A_AT_1000_HZ_DB = -2.0


def a_weighting_db(freq_hz: float) -> float:
    """How much quieter a tone counts by A-weighting.

    Source: IEC 61672-1:2013, Annex E, its formula and constants from memory.
    """
    f2, (p1, p2, p3, p4) = freq_hz**2, (pole**2 for pole in A_POLES_HZ)
    response = p4 * f2**2 / ((f2 + p1) * math.sqrt((f2 + p2) * (f2 + p3)) * (f2 + p4))
    return 20 * math.log10(response) - A_AT_1000_HZ_DB
