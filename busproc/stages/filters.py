"""Second-order sections by design formula. Each is (b0, b1, b2, a1, a2) with a0 = 1.

Sources: Audio EQ Cookbook (W3C Working Group Note, 8 June 2021) for bell, shelves, notch and all-pass;
Butterworth section Qs 1 / (2 cos theta), textbook; first-order sections by the bilinear transform. The
bilinear transform squeezes all frequencies up to infinity under half the sampling rate, so a bell near
the top is narrower above its centre than its analog model; `analog` designs filters that are not. Only
`math` is used: the same bits on every machine.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from busproc.errors import InputError

Section = tuple[float, float, float, float, float]


def no_sections() -> NDArray[np.float64]:
    """An empty cascade."""
    return np.zeros((0, 5))


def sections(rows: list[Section]) -> NDArray[np.float64]:
    """A cascade `(sections, 5)` as a read-only array."""
    made = np.array(rows, dtype=np.float64).reshape(len(rows), 5)
    made.setflags(write=False)
    return made


def bell(freq_hz: float, gain_db: float, q: float, rate_hz: float) -> Section:
    """Peak of `gain_db` at `freq_hz`; `q` sets the width between the half-gain points."""
    turn, alpha = _turn(freq_hz, q, rate_hz)
    a = 10 ** (gain_db / 40)
    c = -2 * math.cos(turn)
    return _normal(1 + alpha * a, c, 1 - alpha * a, 1 + alpha / a, c, 1 - alpha / a)


def low_shelf(freq_hz: float, gain_db: float, q: float, rate_hz: float) -> Section:
    """`gain_db` below `freq_hz`, half of it there."""
    turn, alpha = _turn(freq_hz, q, rate_hz)
    a, c = 10 ** (gain_db / 40), math.cos(turn)
    r = 2 * math.sqrt(a) * alpha
    return _normal(
        a * ((a + 1) - (a - 1) * c + r),
        2 * a * ((a - 1) - (a + 1) * c),
        a * ((a + 1) - (a - 1) * c - r),
        (a + 1) + (a - 1) * c + r,
        -2 * ((a - 1) + (a + 1) * c),
        (a + 1) + (a - 1) * c - r,
    )


def high_shelf(freq_hz: float, gain_db: float, q: float, rate_hz: float) -> Section:
    """`gain_db` above `freq_hz`, half of it there."""
    turn, alpha = _turn(freq_hz, q, rate_hz)
    a, c = 10 ** (gain_db / 40), math.cos(turn)
    r = 2 * math.sqrt(a) * alpha
    return _normal(
        a * ((a + 1) + (a - 1) * c + r),
        -2 * a * ((a - 1) + (a + 1) * c),
        a * ((a + 1) + (a - 1) * c - r),
        (a + 1) - (a - 1) * c + r,
        2 * ((a - 1) - (a + 1) * c),
        (a + 1) - (a - 1) * c - r,
    )


def notch(freq_hz: float, q: float, rate_hz: float) -> Section:
    """Nothing at `freq_hz`; `q` sets the width between the points 3 dB down."""
    turn, alpha = _turn(freq_hz, q, rate_hz)
    c = -2 * math.cos(turn)
    return _normal(1, c, 1, 1 + alpha, c, 1 - alpha)


def tilt(freq_hz: float, gain_db: float, rate_hz: float) -> Section:
    """First-order slope: `-gain_db` far below `freq_hz`, 0 dB there, `gain_db` far above."""
    k = math.tan(turn_of(freq_hz, rate_hz) / 2)
    a = 10 ** (gain_db / 20)
    return _normal(a + k, k - a, 0.0, 1 + a * k, a * k - 1, 0.0)


def high_pass(freq_hz: float, slope_db_per_octave: int, rate_hz: float) -> list[Section]:
    """Butterworth high-pass, -3 dB at `freq_hz`."""
    return [_pass_section(freq_hz, q, rate_hz, sign=-1) for q in butterworth_qs(slope_db_per_octave // 6)]


def low_pass(freq_hz: float, slope_db_per_octave: int, rate_hz: float) -> list[Section]:
    """Butterworth low-pass, -3 dB at `freq_hz`."""
    return [_pass_section(freq_hz, q, rate_hz, sign=1) for q in butterworth_qs(slope_db_per_octave // 6)]


def all_pass(freq_hz: float, q: float, rate_hz: float) -> Section:
    """All frequencies at gain 1, phase -180 degrees at `freq_hz`."""
    turn, alpha = _turn(freq_hz, q, rate_hz)
    c = -2 * math.cos(turn)
    return _normal(1 - alpha, c, 1 + alpha, 1 + alpha, c, 1 - alpha)


def butterworth_qs(order: int) -> list[float | None]:
    """Q of each second-order section of a Butterworth filter, and none for a first-order one.

    >>> [round(q, 6) for q in butterworth_qs(4)]
    [0.541196, 1.306563]
    """
    pairs = order // 2
    first: list[float | None] = [None] if order % 2 else []
    angles = [math.pi * (2 * k + 1 + order % 2) / (2 * order) for k in range(pairs)]
    return first + [1 / (2 * math.cos(angle)) for angle in angles]


def scaled(section: Section, gain: float) -> Section:
    """The same section, `gain` times as loud."""
    b0, b1, b2, a1, a2 = section
    return (gain * b0, gain * b1, gain * b2, a1, a2)


def inverse(section: Section) -> Section:
    """The section that undoes this one; its zeros must lie inside the unit circle."""
    b0, b1, b2, a1, a2 = section
    return _normal(1.0, a1, a2, b0, b1, b2)


def turn_of(freq_hz: float, rate_hz: float) -> float:
    """Radians that a frequency turns in one frame.

    Raises
    ------
    InputError
        When the rate cannot carry it.
    """
    if freq_hz >= 0.499 * rate_hz:
        raise InputError(
            f"a filter at {freq_hz:g} Hz cannot run at {rate_hz:g} Hz: "
            f"its frequency must be under {0.499 * rate_hz:.0f} Hz"
        )
    return 2 * math.pi * freq_hz / rate_hz


def _pass_section(freq_hz: float, q: float | None, rate_hz: float, sign: int) -> Section:
    """Low-pass (sign 1) or high-pass (sign -1), of first order where there is no q."""
    if q is None:
        k = math.tan(turn_of(freq_hz, rate_hz) / 2)
        b = k / (1 + k) if sign > 0 else 1 / (1 + k)
        return (b, sign * b, 0.0, (k - 1) / (k + 1), 0.0)
    turn, alpha = _turn(freq_hz, q, rate_hz)
    c = math.cos(turn)
    edge = 1 - sign * c
    return _normal(edge / 2, sign * edge, edge / 2, 1 + alpha, -2 * c, 1 - alpha)


def _turn(freq_hz: float, q: float, rate_hz: float) -> tuple[float, float]:
    turn = turn_of(freq_hz, rate_hz)
    return turn, math.sin(turn) / (2 * q)


def _normal(b0: float, b1: float, b2: float, a0: float, a1: float, a2: float) -> Section:
    return (b0 / a0, b1 / a0, b2 / a0, a1 / a0, a2 / a0)
