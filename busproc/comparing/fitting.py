"""The few bands that come nearest to a wanted curve: least squares under limits.

Bands are added one at a time. Which band to add is read off a list of bells and shelves all over the
spectrum; the best few are tried, each time with all settings fitted anew, and the best few fits go on.
Nothing is drawn at random.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import product

import numpy as np
from scipy.optimize import least_squares

from busproc.comparing.curves import Shape, curve_db, power_of
from busproc.comparing.spectra import Points
from busproc.stages.base import Audio
from busproc.stages.eq_bands import On, Shaped

MOST_BANDS = 5
KEPT_FITS = 3
TRIED_BANDS = 4
APART_OCTAVES = 0.6
"""Bands of one shape that are tried lie so far from each other."""
WORTH_DB, WORTH_SHARE = 0.02, 0.1
"""Bands that bring the curve nearer by less, or by less than this share of what is left, are left out."""
ENOUGH_DB = 0.004
"""No curve needs to be met closer."""
LEAST_GAIN_DB = 0.05
EFFORT = 0.001
"""What a dB of gain costs, in dB of distance: enough for bands not to work against each other."""
MIDDLE_HZ = 632.0
"""Low shelves lie below, high ones above: two of one frequency would differ in level alone."""
SHELF_Q = (0.4, 1.0)
FRAME: dict[Shape, float] = {"low_shelf": 0.4, "high_shelf": 0.7}
"""Shelves that a second search begins with, and where between the ends of their reach."""
FRAME_LOG_Q = math.log(0.7)


@dataclass(frozen=True)
class Limits:
    """How far bands may go."""

    gain_db: float
    bell_q: tuple[float, float]

    def q(self, shape: Shape) -> tuple[float, float]:
        """The least and the greatest narrowness."""
        return self.bell_q if shape == "bell" else SHELF_Q


@dataclass(frozen=True)
class Wanted:
    """A curve by bands of the spectrum that it is to be laid on; its level does not matter.

    Attributes
    ----------
    points
        That spectrum.
    change_db
        By how much the level of each band is to change.
    error_db
        Standard error of each change; infinite where it has no say.
    """

    points: Points
    change_db: Audio
    error_db: Audio

    @cached_property
    def weights(self) -> Audio:
        """How much each band counts; their squares add up to 1."""
        weights = 1 / self.error_db
        all_of_them = float((weights**2).sum())
        return weights / math.sqrt(all_of_them) if all_of_them else weights

    @property
    def doubt_db(self) -> float:
        """Distance that chance alone leaves."""
        counted = self.error_db[self.weights > 0]
        return float(np.sqrt(len(counted) / (1 / counted**2).sum())) if len(counted) else 0.0

    def mean_db(self, change_db: Audio) -> float:
        """Mean of a change, each band as it counts."""
        return float((self.weights**2 * np.where(self.weights > 0, change_db, 0.0)).sum())

    def without_level(self, change_db: Audio) -> Audio:
        """A change less its mean, weighted: the root of the sum of squares is the rms."""
        return self.weights * (np.where(self.weights > 0, change_db, 0.0) - self.mean_db(change_db))

    def rms_db(self, change_db: Audio) -> float:
        """Rms of a change without its level."""
        return float(np.sqrt((self.without_level(change_db) ** 2).sum()))

    def effect_db(self, bands: tuple[Shaped, ...]) -> Audio:
        """What bands of an EQ do to the level of each band of the spectrum."""
        return self.points.in_bands_db(10 ** (curve_db(bands, self.points.freqs_hz) / 10))


@dataclass(frozen=True)
class _Fit:
    shapes: tuple[Shape, ...]
    settings: Audio  # log frequency, gain in dB and log Q of each band
    away_db: float


def fit(wanted: Wanted, limits: Limits, most: int = MOST_BANDS, on: On = "left_right") -> tuple[Shaped, ...]:
    """Find the bands that come nearest; no more of them than are worth it.

    Parameters
    ----------
    wanted
        The curve.
    limits
        How far bands may go; where they lie over each other, their sum too.
    most
        How many there may be.
    on
        What they are to filter.

    Returns
    -------
    tuple
        The bands, settings rounded, that of most effect first; none where none is worth it.
    """
    if not wanted.weights.any():
        return ()
    rows = list(_Search(wanted, limits).best(most))
    left_db = rows[-1].away_db
    enough_db = max(wanted.doubt_db, left_db + max(WORTH_DB, WORTH_SHARE * left_db))
    chosen = next(each for each in rows if each.away_db <= enough_db)
    bands = [_band(*each, on) for each in zip(chosen.shapes, chosen.settings.reshape(-1, 3), strict=True)]
    kept = _within(tuple(band for band in bands if abs(band.gain_db) >= LEAST_GAIN_DB), wanted, limits)
    return tuple(sorted(kept, key=lambda band: _effect(band, wanted), reverse=True))


def _band(shape: Shape, setting: Audio, on: On) -> Shaped:
    freq_hz, gain_db, q = float(np.exp(setting[0])), float(setting[1]), float(np.exp(setting[2]))
    return Shaped(
        shape=shape, freq_hz=float(f"{freq_hz:.4g}"), gain_db=round(gain_db, 2) + 0.0, q=round(q, 3), on=on
    )


def _effect(band: Shaped, wanted: Wanted) -> float:
    return wanted.rms_db(wanted.effect_db((band,)))


def _within(bands: tuple[Shaped, ...], wanted: Wanted, limits: Limits) -> tuple[Shaped, ...]:
    """Turn all bands down alike until their curve keeps the limit."""
    highest_db = float(np.abs(curve_db(bands, wanted.points.freqs_hz)).max(initial=0.0))
    if highest_db <= limits.gain_db:
        return bands
    share = 0.999 * limits.gain_db / highest_db
    gains_db = (math.trunc(100 * share * band.gain_db) / 100 for band in bands)
    softer = (band.model_copy(update={"gain_db": gain}) for band, gain in zip(bands, gains_db, strict=True))
    return _within(tuple(softer), wanted, limits)


def _log_qs(limits: Limits, shape: Shape) -> Audio:
    low, high = limits.q(shape)
    return np.linspace(math.log(low), math.log(high), 5)


class _Search:
    """The fits of one curve, and how much 1 dB of each listed band does to it."""

    def __init__(self, wanted: Wanted, limits: Limits) -> None:
        self.wanted, self.limits = wanted, limits
        freqs = wanted.points.freqs_hz.reshape(wanted.points.shares.shape)[wanted.weights > 0]
        low, middle, high = math.log(freqs.min()), math.log(MIDDLE_HZ), math.log(freqs.max())
        self.places: dict[Shape, tuple[float, float]] = {
            "bell": (low, high),
            "low_shelf": (low, min(middle, high)),
            "high_shelf": (max(low, middle), high),
        }
        self.listed = [
            (shape, place, log_q)
            for shape, ends in self.places.items()
            if ends[0] < ends[1]
            for place, log_q in product(np.linspace(*ends, 50), _log_qs(limits, shape))
        ]
        self.effects = np.stack([self._effect(*each) for each in self.listed])
        self.energies = (self.effects**2).sum(axis=1)

    def best(self, most: int) -> Iterator[_Fit]:
        """The best fit with no band, with one, and so on until chance alone is left."""
        best = _Fit((), np.zeros(0), self.wanted.rms_db(self.wanted.change_db))
        free, framed = [best], list[_Fit]()
        yield best
        for count in range(1, most + 1):
            if best.away_db <= max(self.wanted.doubt_db, ENOUGH_DB):
                return
            free = self._few(one for each in free for one in self._with_one_more(each))
            framed = (
                [self._refined(*self._frame())]
                if count == len(FRAME)
                else self._few(one for each in framed for one in self._with_one_more(each))
            )
            best = min([*free, *framed], key=lambda each: each.away_db)
            yield best

    def _frame(self) -> tuple[tuple[Shape, ...], Audio]:
        """A shelf at either end: what greed for the nearest single band would miss."""
        places = [
            (1 - share) * self.places[shape][0] + share * self.places[shape][1]
            for shape, share in FRAME.items()
        ]
        return tuple(FRAME), np.ravel([(place, 0.0, FRAME_LOG_Q) for place in places])

    def _few(self, fits: Iterator[_Fit]) -> list[_Fit]:
        """The best ones, but no two that have come to the same."""
        kept: list[_Fit] = []
        for each in sorted(fits, key=lambda each: each.away_db):
            if not kept or each.away_db - kept[-1].away_db > 1e-4 * each.away_db:
                kept.append(each)
        return kept[:KEPT_FITS]

    def _with_one_more(self, before: _Fit) -> Iterator[_Fit]:
        left = -self._apart(before.settings, before.shapes)[: len(self.wanted.change_db)]
        products = self.effects @ left
        gains = np.clip(products / self.energies, -self.limits.gain_db, self.limits.gain_db)
        worth = 2 * gains * products - gains**2 * self.energies
        tried: list[tuple[Shape, float]] = []
        for n in np.argsort(-worth, kind="stable"):
            shape, place, log_q = self.listed[n]
            if any(shape == s and abs(place - p) < APART_OCTAVES * np.log(2) for s, p in tried):
                continue
            tried.append((shape, place))
            start = np.append(before.settings, [place, gains[n], log_q])
            yield self._refined((*before.shapes, shape), start)
            if len(tried) == TRIED_BANDS:
                return

    def _refined(self, shapes: tuple[Shape, ...], start: Audio) -> _Fit:
        gain = self.limits.gain_db
        ends = [(self.places[shape], np.log(self.limits.q(shape))) for shape in shapes]
        lower, upper = (
            np.ravel([(log_hz[n], sign * gain, log_q[n]) for log_hz, log_q in ends])
            for n, sign in ((0, -1), (1, 1))
        )
        found = least_squares(
            self._apart,
            np.clip(start, lower + 1e-6, upper - 1e-6),
            bounds=(lower, upper),
            args=(shapes,),
            x_scale=np.tile([0.3, 1.0, 0.3], len(shapes)),
            max_nfev=60,
        )
        apart = found.fun[: len(self.wanted.change_db)]
        return _Fit(shapes, found.x, math.sqrt(float((apart**2).sum())))

    def _apart(self, settings: Audio, shapes: tuple[Shape, ...]) -> Audio:
        points = self.wanted.points
        power = np.ones_like(points.freqs_hz)
        for shape, (log_hz, gain_db, log_q) in zip(shapes, settings.reshape(-1, 3), strict=True):
            power = power * power_of(shape, np.exp(log_hz), gain_db, np.exp(log_q), points.freqs_hz)
        apart = self.wanted.without_level(points.in_bands_db(power) - self.wanted.change_db)
        over_db = np.maximum(np.abs(10 * np.log10(power)) - self.limits.gain_db, 0.0) / math.sqrt(len(power))
        return np.concatenate([apart, over_db, EFFORT * settings[1::3]])

    def _effect(self, shape: Shape, log_hz: float, log_q: float) -> Audio:
        """What 1 dB of a band does."""
        power = power_of(shape, np.exp(log_hz), 1.0, np.exp(log_q), self.wanted.points.freqs_hz)
        return self.wanted.without_level(self.wanted.points.in_bands_db(power))
