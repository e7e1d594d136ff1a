"""Bells, shelves, tilts, notches and passes that follow the analog filter up to the top of the audio band.

The formulas of `filters` bend the frequency axis and lose the shape of what is set high up. Here a band
is described by the zeros and poles of its analog filter, and `matching` finds two sections with the same
gain; where the plain formula is within 0.005 dB of it, that one section is used. Boost and cut of the
same size undo each other: the boost is designed, the cut is its inverse. Measured bounds are in
tests/stages/test_eq_design.py.

Sources: analog prototypes of the Audio EQ Cookbook, W3C Working Group Note, 8 June 2021 (from memory);
Butterworth, textbook.
"""

from __future__ import annotations

import cmath
import math

from busproc.stages import filters
from busproc.stages.filters import Section, butterworth_qs, inverse, scaled, turn_of
from busproc.stages.matching import Prototype, Roots, matched, rounded


def bell(freq_hz: float, gain_db: float, q: float, rate_hz: float) -> list[Section]:
    """Peak of `gain_db` at `freq_hz`; `q` sets the width between the half-gain points.

    Analog: (s^2 + s A/q + 1) / (s^2 + s/(A q) + 1), A = 10^(gain_db/40). A cut undoes the boost.
    """
    a = 10 ** (abs(gain_db) / 40)
    analog = Prototype(_pair(1, a / q), _pair(1, 1 / (a * q)))
    boost = _designed(analog, freq_hz, rate_hz, filters.bell(freq_hz, abs(gain_db), q, rate_hz))
    return boost if gain_db >= 0 else _undone(boost)


def high_shelf(freq_hz: float, gain_db: float, q: float, rate_hz: float) -> list[Section]:
    """`gain_db` above `freq_hz`, half of it there.

    Analog: A (A s^2 + s sqrt(A)/q + 1) / (s^2 + s sqrt(A)/q + A), A = 10^(gain_db/40).
    """
    a = 10 ** (abs(gain_db) / 40)
    analog = Prototype(_pair(a, math.sqrt(a) / q), _pair(1 / a, 1 / (math.sqrt(a) * q)))
    boost = _designed(analog, freq_hz, rate_hz, filters.high_shelf(freq_hz, abs(gain_db), q, rate_hz))
    return boost if gain_db >= 0 else _undone(boost)


def low_shelf(freq_hz: float, gain_db: float, q: float, rate_hz: float) -> list[Section]:
    """`gain_db` below `freq_hz`, half of it there: a high shelf that takes back what all is raised by."""
    first, *rest = high_shelf(freq_hz, -gain_db, q, rate_hz)
    return [scaled(first, rounded(10 ** (gain_db / 20))), *rest]


def notch(freq_hz: float, q: float, rate_hz: float) -> list[Section]:
    """Nothing at `freq_hz`; `q` sets the width between the points 3 dB down."""
    analog = Prototype((1j, -1j), _pair(1, 1 / q))
    return _designed(analog, freq_hz, rate_hz, filters.notch(freq_hz, q, rate_hz))


def tilt(freq_hz: float, gain_db: float, rate_hz: float) -> list[Section]:
    """First-order slope: `-gain_db` far below `freq_hz`, 0 dB there, `gain_db` far above.

    Analog: (A s + 1) / (s + A), A = 10^(gain_db/20).
    """
    a = 10 ** (abs(gain_db) / 20)
    analog = Prototype((complex(-1 / a),), (complex(-a),), gain=rounded(1 / a))
    upward = _designed(analog, freq_hz, rate_hz, filters.tilt(freq_hz, abs(gain_db), rate_hz))
    return upward if gain_db >= 0 else _undone(upward)


def high_pass(freq_hz: float, slope_db_per_octave: int, rate_hz: float) -> list[Section]:
    """Butterworth high-pass, -3 dB at `freq_hz`."""
    plain = filters.high_pass(freq_hz, slope_db_per_octave, rate_hz)
    return _butterworth(freq_hz, slope_db_per_octave // 6, rate_hz, plain, zeros_at_0=True)


def low_pass(freq_hz: float, slope_db_per_octave: int, rate_hz: float) -> list[Section]:
    """Butterworth low-pass, -3 dB at `freq_hz`."""
    plain = filters.low_pass(freq_hz, slope_db_per_octave, rate_hz)
    return _butterworth(freq_hz, slope_db_per_octave // 6, rate_hz, plain, zeros_at_0=False)


def _butterworth(
    freq_hz: float, order: int, rate_hz: float, plain: list[Section], *, zeros_at_0: bool
) -> list[Section]:
    made = []
    for q, section in zip(butterworth_qs(order), plain, strict=True):
        poles = _pair(1, 1 / q) if q else (complex(-1),)
        analog = Prototype((0j,) * len(poles) if zeros_at_0 else (), poles)
        made += _designed(analog, freq_hz, rate_hz, section)
    return made


def _undone(sections: list[Section]) -> list[Section]:
    return [inverse(section) for section in sections]


def _pair(a: float, b: float) -> Roots:
    """Roots of a s^2 + b s + 1."""
    far = (-b - cmath.sqrt(b * b - 4 * a)) / (2 * a)
    return far, 1 / (a * far)


def _designed(analog: Prototype, freq_hz: float, rate_hz: float, plain: Section) -> list[Section]:
    """Sections for an analog filter at a frequency; `plain` is what the plain formula makes of it."""
    made = matched(analog, turn_of(freq_hz, rate_hz))
    if made:
        return list(made)
    b0, b1, b2, a1, a2 = (rounded(value) for value in plain)
    return [(b0, b1, b2, a1, a2)]
