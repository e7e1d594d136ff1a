"""All that can be wrong with a stem by itself, sought in one pass."""

from __future__ import annotations

from typing import TYPE_CHECKING

from busproc.measure.faults.channels import OneSounds, Silences
from busproc.measure.faults.clicks import ClickSearch
from busproc.measure.faults.clipping import ClippedRuns
from busproc.measure.faults.cutoff import CutoffSearch
from busproc.measure.faults.dc import Constants
from busproc.measure.faults.hum import HumSearch
from busproc.measure.faults.sides import Sides

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from busproc.measure.faults.finding import Finding


class StemFaults:
    """Every search that one stem needs.

    What needs other stems beside it is in `doubles` and `lateness`.

    Parameters
    ----------
    rate_hz
        Frames a second.
    channels
        1 or 2.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        both = (rate_hz, channels)
        self._silences, self._constants, self._clipped = (
            Silences(channels),
            Constants(*both),
            ClippedRuns(*both),
        )
        self._clicks, self._hum, self._cutoff = ClickSearch(*both), HumSearch(*both), CutoffSearch(*both)
        self._of_both_sides = (OneSounds(), Sides(rate_hz)) if channels == 2 else None

    def feed(self, block: NDArray[np.float64]) -> None:
        """Take the next block, C-contiguous float64 of shape (frames, channels)."""
        alone = (self._silences, self._constants, self._clipped, self._clicks, self._hum, self._cutoff)
        for search in (*alone, *(self._of_both_sides or ())):
            search.feed(block)

    def findings(self) -> dict[str, Finding]:
        """Return what each search says, found or not, by the kind of fault."""
        found: dict[str, Finding] = {
            "silence": self._silences.finding(),
            "dc": self._constants.finding(),
            "clipping": self._clipped.finding(),
            "clicks": self._clicks.finding(),
            "hum": self._hum.finding(),
            "cutoff": self._cutoff.finding(),
        }
        if self._of_both_sides:
            one_sounds, sides = self._of_both_sides
            found |= {
                "one_sound": one_sounds.finding(),
                "inverted": sides.inverted(),
                "low_end": sides.low_end(),
            }
        return found
