"""How strong a hit is: a level that a recording and a sample share."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from busproc.measure.decibels import SINE_CREST_DB, power_db

if TYPE_CHECKING:
    from numpy.typing import NDArray

STRENGTH_MS = 20.0
"""A stroke has shown its strength by then, and the next one has not come. Ours."""
SILENT_DBFS = -140.0


def strength_dbfs(sound: NDArray[np.float64], at_frame: int, rate_hz: int) -> float:
    """Level of the 20 ms from an onset, the mean power of all channels, where a sine reads its own peak.

    Parameters
    ----------
    sound
        `(frames, channels)`.
    at_frame
        The onset in it.
    rate_hz
        Its rate.

    Returns
    -------
    float
        In dBFS, -140 at least.
    """
    piece = sound[at_frame : at_frame + round(STRENGTH_MS * rate_hz / 1000)]
    level_db = power_db(float(np.mean(np.square(piece)))) if len(piece) else None
    return SILENT_DBFS if level_db is None else max(SILENT_DBFS, level_db + SINE_CREST_DB)
