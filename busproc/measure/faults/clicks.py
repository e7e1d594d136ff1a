"""Clicks: jumps that stand alone, unlike the beginning of a hit."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.ndimage import maximum_filter1d

from busproc.measure.faults.finding import Finding, passages, sureness
from busproc.measure.grid import Pieces

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Audio = NDArray[np.float64]

CELLS_PER_S = 1000
ALONE_CELLS = 50
"""A click stands alone for 50 ms on either side: longer than a period of any note."""
NEAR_CELLS = 2
"""Up to 2 ms from it may be its own."""
STANDS_OUT_DB = 12.0
"""So far over all else in those 100 ms."""
_SURE_DB = 20.0
MOST_RISE_DB = 4.0
"""Where the sound rises or falls by more, something begins or ends. Ours, like all numbers here."""
LEAST_JUMP = 1e-3
LEAST_WITHIN = 0.9
"""Of the power of third differences in 3 ms, so much lies in a fifth of one; hits take longer."""
_LEVEL_CELLS = 20
_FLOOR = 1e-12


@dataclass(frozen=True, kw_only=True)
class Clicks(Finding):
    """Jumps that stand alone.

    Attributes
    ----------
    times_s
        When, to a thousandth of a second.
    jumps
        How far the sound leaves what came before, full scale 1.0: a third of the largest third difference.
    """

    times_s: tuple[float, ...]
    jumps: tuple[float, ...]


class ClickSearch:
    """Search a stream of one or two channels for clicks.

    Third differences raise what is abrupt and lower what is slow. A click is a thousandth of a second whose
    largest third difference lies 12 dB over all others within 50 ms and is over in a tenth of a millisecond,
    while the sound goes on as it was. So hits do not count, for they take longer and go on ringing, nor the
    edges of a square or saw-tooth wave, for they come again, nor anything within 60 ms of the ends. Clicks
    under the noise of a cymbal are not found, nor those that a coder with losses has spread, nor gaps, which
    have two edges.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._cell = max(round(rate_hz / CELLS_PER_S), 8)
        self._rate_hz = rate_hz
        self._edge = ALONE_CELLS + NEAR_CELLS + ALONE_CELLS // 5
        cells = 10 * self._edge
        self._pieces = Pieces(cells * self._cell, columns=channels, shared=2 * self._edge * self._cell)
        self._done_cells = 0
        self._found: dict[int, tuple[float, float]] = {}

    def feed(self, block: Audio) -> None:
        """Take the next block, float64 of shape (frames, channels)."""
        for piece in self._pieces.of(block):
            self._search(piece)

    def finding(self) -> Clicks:
        """Say what clicks there were; what does not fill the last second is left out."""
        times = tuple(at * self._cell / self._rate_hz for at in sorted(self._found))
        over_db = 20 * math.log10(max((over for _, over in self._found.values()), default=1.0))
        return Clicks(
            found=bool(times),
            confidence=sureness(over_db, STANDS_OUT_DB, _SURE_DB) if times else 0.0,
            where=passages(times, self._cell / self._rate_hz),
            times_s=times,
            jumps=tuple(float(self._found[at][0]) for at in sorted(self._found)),
        )

    def _search(self, piece: Audio) -> None:
        """Find the clicks in the middle of a piece; its edges belong to its neighbours."""
        for wave in piece.T:
            jumps = np.abs(np.diff(wave, n=3, prepend=wave[:3])) / 3
            cells = wave.reshape(-1, self._cell)
            highest, power = jumps.reshape(cells.shape).max(axis=1), np.einsum("ij,ij->i", cells, cells)
            over = highest / _rest(highest)
            for place in np.flatnonzero(
                (over > 10 ** (STANDS_OUT_DB / 20)) & (highest > LEAST_JUMP)
            ).tolist():
                inside = self._edge <= place < len(cells) - self._edge
                if (
                    inside
                    and _is_top(highest, place)
                    and _goes_on(power, place)
                    and self._is_narrow(jumps, place)
                ):
                    at = self._done_cells + place
                    self._found[at] = max(self._found.get(at, (0.0, 0.0)), (highest[place], over[place]))
        self._done_cells += len(cells) - 2 * self._edge

    def _is_narrow(self, jumps: Audio, place: int) -> bool:
        """Whether nearly all of a jump lies in a tenth of a millisecond on either side of its middle."""
        middle = place * self._cell + int(jumps[place * self._cell : (place + 1) * self._cell].argmax())
        narrow, wide = self._cell // 10, self._cell * 3 // 2
        power = jumps[middle - wide : middle + wide + 1] ** 2
        return bool(power[wide - narrow : wide + narrow + 1].sum() >= LEAST_WITHIN * power.sum())


def _rest(highest: Audio) -> Audio:
    """The highest of the cells up to 50 ms on either side, save those next to each."""
    around = maximum_filter1d(highest, ALONE_CELLS - NEAR_CELLS, mode="nearest")
    reach = NEAR_CELLS + (ALONE_CELLS - NEAR_CELLS) // 2
    rest: Audio = np.maximum(np.roll(around, reach), np.roll(around, -reach)) + _FLOOR
    return rest


def _is_top(highest: Audio, place: int) -> bool:
    """Whether a jump on the edge of two cells has more of its power here."""
    near = highest[place - NEAR_CELLS : place + NEAR_CELLS + 1]
    return int(near.argmax()) == NEAR_CELLS


def _goes_on(power: Audio, place: int) -> bool:
    """Whether the 20 ms after a place are as loud as those before it."""
    before = power[place - NEAR_CELLS - _LEVEL_CELLS : place - NEAR_CELLS].sum() + _FLOOR
    after = power[place + NEAR_CELLS + 1 : place + NEAR_CELLS + _LEVEL_CELLS + 1].sum() + _FLOOR
    return abs(10 * math.log10(after / before)) <= MOST_RISE_DB
