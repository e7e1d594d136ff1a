"""A constant that lies under the sound."""

from __future__ import annotations

import math
from array import array
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from busproc.measure.decibels import power_db
from busproc.measure.faults.finding import Finding, sureness
from busproc.measure.grid import Pieces

if TYPE_CHECKING:
    from numpy.typing import NDArray

LEAST_DBFS = -60.0
"""A constant of one thousandth of full scale; under it nothing is lost. Ours."""
_SURE_DBFS = -50.0
_CELL_S = 0.1
_QUIET_SHARE = 0.25
"""A constant is sought in the quietest cells: drums that swing more to one side have none there."""
_STEADY = 0.15
"""Most that the constant of all cells may differ from theirs, as a share of it."""
_SURE_ERRORS = 4.0
"""Standard errors of theirs by which it lies off zero."""
_LEAST_CELLS = 5


@dataclass(frozen=True, kw_only=True)
class Constant(Finding):
    """A constant in a channel.

    Attributes
    ----------
    offsets
        Constant of each channel, full scale 1.0: the median of the quiet cells' means.
    largest_dbfs
        The larger one; None for none.
    """

    offsets: tuple[float, ...]
    largest_dbfs: float | None


class Constants:
    """Search a stream of one or two channels for a constant that is there all the time.

    Means are taken over a tenth of a second. In the quietest quarter of those that sound their median must
    be clear of zero by four standard errors, and that of all must be much the same; it takes two seconds.
    What a sound leaves by swinging more to one side stops with it, or changes with its level.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._pieces = Pieces(round(_CELL_S * rate_hz), columns=channels)
        self._channels = channels
        self._means, self._powers = array("d"), array("d")

    def feed(self, block: NDArray[np.float64]) -> None:
        """Take the next block, float64 of shape (frames, channels)."""
        for piece in self._pieces.of(block):
            means = np.einsum("ij->j", piece) / len(piece)
            self._means.extend(means)
            self._powers.extend(np.einsum("ij,ij->j", piece, piece) / len(piece) - means * means)

    def finding(self) -> Constant:
        """Say what constant there is; what does not fill a tenth of a second is left out."""
        means, powers = (np.array(kept).reshape(-1, self._channels).T for kept in (self._means, self._powers))
        offsets = tuple(_constant(*channel) for channel in zip(means, powers, strict=True))
        largest_dbfs = power_db(max(offset * offset for offset in offsets))
        sure = sureness(-300.0 if largest_dbfs is None else largest_dbfs, LEAST_DBFS, _SURE_DBFS)
        return Constant(found=sure >= 0.5, confidence=sure, offsets=offsets, largest_dbfs=largest_dbfs)


def _constant(means: NDArray[np.float64], powers: NDArray[np.float64]) -> float:
    """The constant of a channel, from mean and power of its cells; 0 where there is none that is steady."""
    sounds = (powers > 0) | (means != 0)
    means, powers = means[sounds], powers[sounds]
    quiet = means[np.argsort(powers, kind="stable")[: int(_QUIET_SHARE * len(powers))]]
    if len(quiet) < _LEAST_CELLS:
        return 0.0
    (middle, off), (of_all, off_all) = _median(quiet), _median(means)
    is_steady = _SURE_ERRORS * off <= abs(middle)
    is_everywhere = abs(of_all - middle) <= _STEADY * abs(middle) + off_all
    return middle if is_steady and is_everywhere else 0.0


def _median(values: NDArray[np.float64]) -> tuple[float, float]:
    """The median of values and its standard error, by their quartiles as if they were normal."""
    low, middle, high = np.percentile(values, [25, 50, 75])
    return float(middle), float(1.253 * (high - low) / 1.349 / math.sqrt(len(values)))
