"""How far attacks stand over what follows them, over all and by band."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.ndimage import maximum_filter1d

from busproc.measure.bands import BandCells
from busproc.measure.decibels import power_db

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    Onsets = Mapping[str, NDArray[np.int64]]

CELLS_PER_TENTH = 50
"""Attacks are placed within 2 ms."""

ATTACK_CELLS = 15
"""30 ms: more than a period of the lowest drum."""
BEFORE_CELLS = 50
"""100 ms, against which a sound rises."""
BODY_FROM_CELLS, BODY_TO_CELLS = 30, 100
"""60 to 200 ms after the onset, and no further than the next one."""
LEAST_BODY_CELLS = 20
APART_CELLS = BODY_FROM_CELLS + LEAST_BODY_CELLS
"""100 ms lie between two onsets at least, so that each has a body."""

RISE = 2.0
"""An onset rises by 3 dB or more."""
FLOOR = 1e-4
"""Next to what lies 40 dB under the mean power nothing rises."""


class Transients:
    """Transient-to-body ratio of a stereo stream: power of the attacks against that of their bodies.

    An onset is where the mean power of the next 30 ms stands most over that of the 100 ms before, by 3 dB or
    more; there is one in 100 ms at most. Its attack is those 30 ms, its body what sounds from 60 to 200 ms
    after it, cut off by the next onset. The ratio is that of the mean powers of all attacks and of all
    bodies, so loud hits count for more. Each band has onsets of its own. Nothing depends on the level; a gain
    on nothing but the attacks moves the ratio by just as much. All numbers are ours, not a standard's.

    To compare variations of one sound, measure all of them at the onsets of one.
    """

    def __init__(self, rate_hz: int) -> None:
        self._cells = BandCells(rate_hz, CELLS_PER_TENTH)

    def feed(self, block: NDArray[np.float64]) -> None:
        """Take the next block, float64 of shape (frames, 2)."""
        self._cells.feed(block)

    def onsets(self) -> dict[str, NDArray[np.int64]]:
        """Return the cells of about 2 ms in which onsets lie, for `whole` and each band."""
        rows = self._cells.powers()
        return {name: _onsets(powers) for name, powers in zip(self._cells.names, rows, strict=True)}

    def to_body_db(self, onsets: Onsets | None = None) -> dict[str, float | None]:
        """Return the ratio for `whole` and each band: None without an onset, or where all bodies are silent.

        Parameters
        ----------
        onsets
            Those of the sound that this one is compared with; its own by default.
        """
        onsets = self.onsets() if onsets is None else onsets
        rows = self._cells.powers()
        return {
            name: _ratio_db(powers, onsets[name])
            for name, powers in zip(self._cells.names, rows, strict=True)
        }


def _onsets(powers: NDArray[np.float64]) -> NDArray[np.int64]:
    silence = np.zeros(BEFORE_CELLS), np.zeros(ATTACK_CELLS)
    energy = np.cumsum(np.concatenate([[0.0], silence[0], powers, silence[1]]))
    here = BEFORE_CELLS + np.arange(len(powers))
    after = (energy[here + ATTACK_CELLS] - energy[here]) / ATTACK_CELLS
    before = (energy[here] - energy[here - BEFORE_CELLS]) / BEFORE_CELLS
    floor = FLOOR * energy[-1] / max(len(powers), 1)
    rise = np.divide(after, before + floor, out=np.zeros_like(after), where=before + floor > 0)
    highest = maximum_filter1d(rise, 2 * APART_CELLS - 1, mode="constant")
    found = np.flatnonzero((rise >= RISE) & (rise == highest))
    return found[np.diff(found, prepend=-APART_CELLS) >= APART_CELLS]


def _ratio_db(powers: NDArray[np.float64], onsets: NDArray[np.int64]) -> float | None:
    energy = np.concatenate([[0.0], np.cumsum(powers)])
    begin = onsets + BODY_FROM_CELLS
    end = np.minimum(onsets + BODY_TO_CELLS, np.append(onsets[1:], len(powers)))
    whole = end - begin >= LEAST_BODY_CELLS
    onsets, begin, end = onsets[whole], begin[whole], end[whole]
    attack = (energy[onsets + ATTACK_CELLS] - energy[onsets]).sum() / ATTACK_CELLS
    body = ((energy[end] - energy[begin]) / (end - begin)).sum()
    return power_db(attack / body) if body > 0 else None
