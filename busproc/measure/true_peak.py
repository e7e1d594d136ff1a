"""True peak: the highest point of the wave between its samples."""

from __future__ import annotations

import functools
import math
from typing import TYPE_CHECKING

import numpy as np

from busproc.kernels.true_peak import POINTS_AT_ONCE, interpolated_peak
from busproc.kernels.window import half_band, kaiser
from busproc.measure.decibels import power_db

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Weights = NDArray[np.float64]

_LEAST_RATE_HZ = 352_800
_PAIRS_AND_BETA = ((24, 6.8), (6, 8.0), (4, 8.0))
"""Taps on either side and shape of the Kaiser window for the first, the second and every later doubling."""

_ROUGH_PAIRS_AND_BETA = ((12, 2.0), (2, 3.0))
"""The same for the rough look that says where the exact points need not be worked out."""
_SOFT_BETA = (0.0, 2.0, 2.5)
"""What is left to the bounds between two points of a coarse grid: shape of the window over them, by level."""
_SLACK = 1 + 1e-4
"""The rough look is taken in single precision, which is far better than that."""


class TruePeak:
    """Running true peak of a stereo stream, the larger of both channels and never below the sample peak.

    The rate is doubled until it is at least 352.8 kHz: 8 times at 44.1 and 48 kHz, 4 times at 88.2 and 96,
    twice at 176.4 and 192. BS.1770-5 Annex 2 asks for 192 kHz; its table has 12 taps, the first doubling
    here 48. Measured up to 20 kHz the interpolator is flat within 0.01 dB at 44.1 kHz and above. A peak
    between two points of the finer grid is read low by at most 0.14 dB for a 20 kHz tone at 44.1 kHz, by
    0.12 dB at 48 kHz, and by 0.01 dB for a 5 kHz tone. Above 20 kHz at 44.1 kHz the interpolator falls, by
    0.24 dB at 20.5 and 1.5 dB at 21 kHz; at Nyquist no more than the samples themselves are read.

    Source: Rec. ITU-R BS.1770-5 (2023), Annex 2, for rate and unit; the interpolator is our own.
    """

    def __init__(self, rate_hz: int) -> None:
        self._taps, self._half_taps, self._quarter_taps, self._reach = _design(rate_hz)
        self._history = np.zeros(2 * (self._taps.shape[1] - 1))
        self._highest = 0.0

    def feed(self, block: NDArray[np.float64]) -> None:
        """Take the next block, C-contiguous float64 of shape (frames, 2)."""
        self._highest = self._seek(block.reshape(-1), self._history)

    @property
    def dbtp(self) -> float | None:
        """The true peak of all that was fed, taken to end in silence; None for silence."""
        drained = self._seek(np.zeros_like(self._history), self._history.copy())
        return power_db(drained**2)

    def _seek(self, audio: NDArray[np.float64], history: NDArray[np.float64]) -> float:
        rough_taps = self._half_taps, self._quarter_taps
        return interpolated_peak(audio, history, self._taps, *rough_taps, self._reach, self._highest)


@functools.cache
def _design(rate_hz: int) -> tuple[Weights, NDArray[np.float32], NDArray[np.float32], Weights]:
    """Exact taps, rough taps and reach for a rate, as `interpolated_peak` takes them."""
    doublings: list[list[float]] = []
    while rate_hz << len(doublings) < _LEAST_RATE_HZ:
        doublings.append(half_band(*_PAIRS_AND_BETA[min(len(doublings), 2)]))
    rough = [half_band(*design) for design in _ROUGH_PAIRS_AND_BETA]
    return (
        _sorted_taps(_response(doublings), 1 << len(doublings), least_reach=len(rough[0]) + 1),
        np.array(rough[0], dtype=np.float32),
        np.array(rough[1], dtype=np.float32),
        _reach(doublings, rough),
    )


def _response(doublings: Sequence[list[float]]) -> Weights:
    """Return what a sample becomes on the grid after so many doublings, the sample itself in the middle."""
    response = np.ones(1)
    for taps in doublings:
        filled = _spread(np.array(taps[::-1] + taps), 2)
        filled[len(filled) // 2] = 1.0
        response = np.convolve(_spread(response, 2), filled)
    return response


def _spread(values: Weights, factor: int) -> Weights:
    """Put factor - 1 zeros between the values."""
    spread = np.zeros(factor * (len(values) - 1) + 1)
    spread[::factor] = values
    return spread


def _sorted_taps(response: Weights, factor: int, least_reach: int) -> Weights:
    """Sort a response into weights of the frames around: (groups, rows, POINTS_AT_ONCE)."""
    middle = len(response) // 2
    reach = max(-(-middle // factor), least_reach)
    taps = np.zeros((-(-factor // POINTS_AT_ONCE), 2 * reach, POINTS_AT_ONCE))
    for point in range(factor):
        group, column = divmod(point, POINTS_AT_ONCE)
        for row in range(2 * reach):
            place = middle + point - factor * (row - reach + 1)
            if 0 <= place < len(response):
                taps[group, row, column] = response[place]
    return taps


def _reach(doublings: list[list[float]], rough: list[list[float]]) -> Weights:
    """Return the bounds by which `interpolated_peak` leaves out what cannot hold the peak."""
    response = _response(doublings)
    bounds = [_largest_sum(response, 1 << len(doublings))]
    for level in (min(level, len(doublings)) for level in (1, 2)):
        bounds += _bound(_response(rough[:level]), response, len(doublings), level)
    return _SLACK * np.array(bounds)


def _bound(coarse: Weights, response: Weights, doublings: int, level: int) -> tuple[float, float]:
    """Return how much the points of a coarse grid and the samples can add to one of the finest grid.

    A point of the finest is any interpolation from the two coarse points beside it, here a soft one, plus
    what the samples must add to make it exact; the magnitudes of the weights are added up.
    """
    step = 1 << (doublings - level)
    places = [point / step for point in range(1 - step, step)]
    soft = np.array([_sinc(x) * kaiser(x, _SOFT_BETA[level]) for x in places])
    made = np.convolve(_spread(coarse, step), soft)
    lacking = np.zeros(max(len(made), len(response)))
    for part, sign in ((response, 1.0), (made, -1.0)):
        edge = (len(lacking) - len(part)) // 2
        lacking[edge : edge + len(part)] += sign * part
    return _largest_sum(soft, step), _largest_sum(lacking, 1 << doublings)


def _largest_sum(response: Weights, factor: int) -> float:
    """Return the most that values no larger than 1, `factor` points apart, can add up to at any point."""
    return max(float(np.abs(response[point::factor]).sum()) for point in range(factor))


def _sinc(x: float) -> float:
    return math.sin(math.pi * x) / (math.pi * x) if x else 1.0
