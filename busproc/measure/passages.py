"""The passages of a sound by which it is judged: the loudest, the quietest and the most changing."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from busproc.errors import InputError
from busproc.measure.loudness import MOMENTARY_TENTHS, SHORT_TERM_TENTHS, Loudness, gated_power

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Powers = NDArray[np.float64]

LENGTH_S = 15.0
GATE = 100
"""A passage sounds if no second of it lies 20 LU or more under the whole: the gate of EBU Tech 3342."""
_SECOND_TENTHS = 10
_CELLS_PER_TENTH = 10
_LEAST_POWER = 1e-30


class Passage(NamedTuple):
    """A stretch of a sound, in seconds from its start."""

    from_s: float
    to_s: float


class Passages:
    """Passages of one length that begin at whole tenths of a second; where several are alike, the first.

    Levels are K-weighted (BS.1770-5) and rounded to 0.001 LU. A sound no longer than a passage is one itself.

    Parameters
    ----------
    rate_hz
        Frames a second.
    length_s
        Length of a passage, 3 s at least, taken to a tenth of a second.

    Raises
    ------
    InputError
        For a shorter length.
    """

    def __init__(self, rate_hz: int, length_s: float = LENGTH_S) -> None:
        self._tenths = round(10 * length_s)
        if self._tenths < SHORT_TERM_TENTHS:
            raise InputError(
                f"a passage of {length_s:g} s is too short to have a loudness; ask for 3 s or more"
            )
        self._rate_hz = rate_hz
        self._frames = 0
        self._loudness = Loudness(rate_hz)

    def feed(self, block: NDArray[np.float64]) -> None:
        """Take the next block, C-contiguous float64 of shape (frames, 2)."""
        self._loudness.feed(block)
        self._frames += len(block)

    def loudest(self) -> Passage:
        """Return the passage of the greatest mean power."""
        return self._highest(_levels_db(self._powers(self._tenths)))

    def quietest(self) -> Passage:
        """Return the passage of the least mean power among those that sound; the loudest if none does."""
        levels = _levels_db(self._powers(self._tenths))
        return self._highest(np.where(self._sounding(), -levels, -math.inf))

    def most_changing(self) -> Passage:
        """Return the passage with the greatest standard deviation of short-term loudness (3 s, in LU).

        Among those that sound; the loudest if none does.
        """
        levels = _levels_db(self._powers(SHORT_TERM_TENTHS))
        levels -= levels.mean() if len(levels) else 0.0
        spread = self._inside(levels**2, SHORT_TERM_TENTHS) - self._inside(levels, SHORT_TERM_TENTHS) ** 2
        return self._highest(np.where(self._sounding(), np.round(spread, 6), -math.inf))

    def _highest(self, worth: Powers) -> Passage:
        """The first passage of the highest worth."""
        if not len(worth):
            return Passage(0.0, self._frames / self._rate_hz)
        if worth.max() == -math.inf:
            return self.loudest()
        first = int(worth.argmax())
        return Passage(first / 10, (first + self._tenths) / 10)

    def _sounding(self) -> NDArray[np.bool_]:
        """Whether each passage sounds all the time."""
        gate = gated_power(self._powers(MOMENTARY_TENTHS)) / GATE
        silent = self._powers(_SECOND_TENTHS) <= gate
        sounding: NDArray[np.bool_] = self._inside(silent.astype(np.float64), _SECOND_TENTHS) == 0.0
        return sounding

    def _inside(self, values: Powers, tenths: int) -> Powers:
        """Mean of the values of all windows of so many tenths of a second inside each passage."""
        count = self._tenths - tenths + 1
        sums = np.concatenate([[0.0], np.cumsum(values)])
        means: Powers = (sums[count:] - sums[:-count]) / count
        return means

    def _powers(self, tenths: int) -> Powers:
        return self._loudness.window_powers(tenths)[::_CELLS_PER_TENTH]


def _levels_db(powers: Powers) -> Powers:
    levels: Powers = np.round(10 * np.log10(np.maximum(powers, _LEAST_POWER)), 3)
    return levels
