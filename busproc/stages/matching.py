"""Two second-order sections with the gain of an analog filter up to 0.9 of half the sampling rate.

The first has the poles and zeros of the analog filter where sampling puts them: s (radians a frame) at
exp(s), the matched z-transform, textbook. What its gain then lacks is a smooth curve without peaks. The
second section meets that curve at four frequencies: with x = sin^2(w/2) its squared gain
(1 + n1 x + n2 x^2) / (1 + d1 x + d2 x^2) is linear in the unknowns there, and its coefficients follow by
square roots. A pair of roots beyond half the rate has no place on the unit circle; of a short list of
places, the one that leaves the least error is taken.

Method: ours. Nothing is iterated. What comes from a library's exp, sin or pow is rounded to 44 bits, and
from there on only + - * / and square root are used: libraries that differ in the last bit lead to the
same coefficients. Rounding moves the gain by less than 0.0001 dB, at 10 Hz and 192 kHz too.
"""

from __future__ import annotations

import cmath
import functools
import math
from collections.abc import Iterator, Sequence
from itertools import product
from typing import NamedTuple

from busproc.stages.filters import Section

Roots = tuple[complex, ...]
"""Poles or zeros: of the analog filter in radians a frame, of the digital one in the z plane."""

PLAIN_ERROR_DB = 0.005
"""Up to this error the plain formula is used."""
GOOD_ERROR_DB = 0.01
"""Under this error nothing further is tried."""
TOP = 0.9 * math.pi
"""Up to here errors count in full, above it by `WEIGHT_ABOVE_TOP`."""
WEIGHT_ABOVE_TOP = 0.01
NOTHING = 1e-20
"""Squared gain in a notch that is not compared."""
NEAR_NYQUIST = 0.8 * math.pi
"""From here on a pair of roots may go elsewhere than sampling puts it."""
ELSEWHERE = tuple((complex(-0.03 * k), complex(-0.03 * k)) for k in range(30))
FITS = tuple((*orders, top) for top in (TOP, 0.98 * TOP) for orders in ((2, 2), (2, 1), (1, 2), (1, 1)))
"""Orders of the second section's numerator and denominator in x, and the highest frequency it meets."""


def _spread(count: int, top: float) -> tuple[float, ...]:
    """Angular frequencies, denser towards the top; none is a rational part of the rate."""
    return tuple(top * math.sin(math.pi * k / (2 * count + 1)) for k in range(1, count + 1))


CHECKED = _spread(65, math.pi)
"""Where the error is looked at, besides the neighbourhood of each root."""


def rounded(value: float) -> float:
    """The nearest number of 44 bits.

    >>> rounded(1 / 3) == rounded(1 / 3 + 1e-16), abs(rounded(1 / 3) - 1 / 3) < 1e-13
    (True, True)
    """
    mantissa, exponent = math.frexp(value)
    return math.ldexp(round(math.ldexp(mantissa, 44)), exponent - 44)


def _rounded(value: complex) -> complex:
    return complex(rounded(value.real), rounded(value.imag))


class Prototype(NamedTuple):
    """An analog filter at frequency 1: gain * prod(1 - s/zero) / prod(1 - s/pole), s for a zero at 0."""

    zeros: Roots
    poles: Roots
    gain: float = 1.0


@functools.lru_cache(maxsize=1024)
def matched(analog: Prototype, turn: float) -> tuple[Section, ...]:
    """Two sections, `turn` radians a frame for frequency 1; none where the bilinear transform is as good."""
    zeros, poles = (tuple(_rounded(turn * s) for s in roots) for roots in (analog.zeros, analog.poles))
    points = (_Point(w, zeros, poles) for w in _checked(zeros + poles))
    checks = [point for point in points if point.power > NOTHING]
    bend = turn / math.tan(turn / 2)
    bent = [_analog_power(zeros, poles, bend * math.tan(point.w / 2)) for point in checks]
    if max(point.error_db(power) for point, power in zip(checks, bent, strict=True)) <= PLAIN_ERROR_DB:
        return ()
    best: tuple[Section, ...] = ()
    least_db = math.inf
    for (upper, lower, top), (z, p) in product(FITS, _places(zeros, poles)):
        meets = [_Point(w, zeros, poles) for w in _spread(upper + lower, top)]
        fit = _fit(meets, upper, z, p)
        if fit is None:
            continue
        error_db = _error_db(checks, fit, z, p, least_db)
        if error_db < least_db:
            best, least_db = (_first(z, p, analog.gain, turn), fit.section()), error_db
        if least_db <= GOOD_ERROR_DB:
            break
    return best


class _Point:
    """A frequency w, exp(jw), sin^2(w/2), and the analog filter's squared gain there."""

    def __init__(self, w: float, zeros: Roots, poles: Roots) -> None:
        self.w, self.e, self.x = w, _rounded(cmath.exp(1j * w)), rounded(math.sin(w / 2) ** 2)
        self.power = _analog_power(zeros, poles, w)

    def error_db(self, power: float) -> float:
        """How far a squared gain is off, made light of above `TOP`."""
        return (1.0 if self.w <= TOP else WEIGHT_ABOVE_TOP) * abs(10 * math.log10(power / self.power))


def _checked(roots: Roots) -> Iterator[float]:
    """Frequencies of the whole range, and of the slopes beside each root."""
    yield from CHECKED
    for s in roots:
        beside = (abs(s.imag) + share * s.real for share in (-2, -1, -0.5, 0.5, 1, 2) if s.real)
        yield from (w for w in beside if 0 < w < math.pi)


def _analog_power(zeros: Roots, poles: Roots, w: float) -> float:
    power = 1.0
    for s in zeros:
        power *= _squared(s - 1j * w) / _squared(s) if s else w * w
    for s in poles:
        power /= _squared(s - 1j * w) / _squared(s)
    return power


def _digital_power(zeros: Roots, poles: Roots, e: complex) -> float:
    """The same of zeros and poles in the z plane, at e = exp(jw)."""
    power = 1.0
    for z in zeros:
        power *= _squared(e - z) / (_squared(1 - z) or 1.0)
    for z in poles:
        power /= _squared(e - z) / _squared(1 - z)
    return power


def _squared(value: complex) -> float:
    """Squared magnitude."""
    return value.real * value.real + value.imag * value.imag


def _places(zeros: Roots, poles: Roots) -> Iterator[tuple[Roots, Roots]]:
    """Where zeros and poles may go: exp(s), and for those near half the rate or beyond, elsewhere."""
    highest = max(abs(s.imag) for s in zeros + poles)
    if highest < math.pi:
        yield _sampled(zeros), _sampled(poles)
    if highest > NEAR_NYQUIST:
        for pair in ELSEWHERE:
            yield _placed(zeros, pair), _placed(poles, pair)


def _placed(roots: Roots, elsewhere: Roots) -> Roots:
    near = any(abs(s.imag) > NEAR_NYQUIST for s in roots)
    return elsewhere if near else _sampled(roots)


def _sampled(roots: Roots) -> Roots:
    return tuple(_rounded(cmath.exp(s)) for s in roots)


class _Fit(NamedTuple):
    """Squared gain (1 + n1 x + n2 x^2) / (1 + d1 x + d2 x^2) of the second section."""

    n1: float
    n2: float
    d1: float
    d2: float

    def power(self, x: float) -> float:
        return (1 + x * (self.n1 + x * self.n2)) / (1 + x * (self.d1 + x * self.d2))

    def section(self) -> Section:
        """Roots inside the unit circle."""
        b0, b1, b2 = _side(self.n1, self.n2)
        a0, a1, a2 = _side(self.d1, self.d2)
        return b0 / a0, b1 / a0, b2 / a0, a1 / a0, a2 / a0


def _fit(meets: Sequence[_Point], upper: int, zeros: Roots, poles: Roots) -> _Fit | None:
    """Meet what the first section lacks; none where that is impossible with a positive squared gain."""
    rows = []
    for point in meets:
        lacks = point.power / _digital_power(zeros, poles, point.e)
        above = [point.x ** (k + 1) for k in range(upper)]
        below = [-lacks * point.x ** (k + 1) for k in range(len(meets) - upper)]
        rows.append([*above, *below, lacks - 1])
    found = _solved(rows)
    if found is None:
        return None
    n1, n2 = (*found[:upper], 0.0)[:2]
    d1, d2 = (*found[upper:], 0.0)[:2]
    return _Fit(n1, n2, d1, d2) if _is_positive(n1, n2) and _is_positive(d1, d2) else None


def _error_db(checks: list[_Point], fit: _Fit, zeros: Roots, poles: Roots, limit_db: float) -> float:
    """Largest error of both sections together, or the first found over the limit."""
    worst_db = 0.0
    for point in checks:
        worst_db = max(worst_db, point.error_db(_digital_power(zeros, poles, point.e) * fit.power(point.x)))
        if worst_db > limit_db:
            break
    return worst_db


def _solved(rows: list[list[float]]) -> list[float] | None:
    """Solve linear equations, the right side last in each row, by elimination with pivots."""
    for k in range(len(rows)):
        rows[k:] = sorted(rows[k:], key=lambda row: -abs(row[k]))
        if not rows[k][k]:
            return None
        rows[k] = [value / rows[k][k] for value in rows[k]]
        for n, row in enumerate(rows):
            if n != k:
                rows[n] = [value - row[k] * pivot for value, pivot in zip(row, rows[k], strict=True)]
    return [row[-1] for row in rows]


def _is_positive(k1: float, k2: float) -> bool:
    """Whether 1 + k1 x + k2 x^2 is positive from 0 to 1."""
    dips_between = k2 > 0 and 0 < -k1 < 2 * k2
    return 1 + k1 + k2 > 0 and not (dips_between and k1 * k1 >= 4 * k2)


def _side(k1: float, k2: float) -> tuple[float, float, float]:
    """Coefficients b0, b1, b2 whose squared gain is 1 + k1 x + k2 x^2."""
    nyquist = math.sqrt(1 + k1 + k2)
    half = (1 + nyquist) / 4
    b0 = half + math.sqrt(half * half - k2 / 16)
    return b0, (1 - nyquist) / 2, k2 / (16 * b0)


def _first(zeros: Roots, poles: Roots, gain: float, turn: float) -> Section:
    """The section with these roots and the analog filter's gain at frequency 0, or its slope there."""
    for z in poles:
        gain *= math.sqrt(_squared(1 - z))
    for z in zeros:
        gain /= math.sqrt(_squared(1 - z)) or turn
    b1, b2 = _expanded(zeros)
    a1, a2 = _expanded(poles)
    return gain, gain * b1, gain * b2, a1, a2


def _expanded(roots: Roots) -> tuple[float, float]:
    """Prod(1 - root/z) as 1 + c1/z + c2/z^2."""
    one, other = (*roots, 0j, 0j)[:2]
    return -(one + other).real, (one * other).real
