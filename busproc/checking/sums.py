"""The sum of two stems: by third octaves as it was heard beside its parts, and as a whole."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from busproc.measure.alignment import HELPS_DB
from busproc.measure.decibels import power_db

if TYPE_CHECKING:
    from collections.abc import Iterable

    from busproc.measure.alignment import Aligned
    from busproc.scratch import Scratch


def sum_db(pair: Aligned) -> float | None:
    """Level of a pair's sum as it is, in the mean of the third octaves that are heard."""
    return mean(band.now_db for band in pair.bands if band.heard)


def most_db(pair: Aligned) -> float:
    """The same with all that both have in common in phase."""
    return mean(band.most_db for band in pair.bands if band.heard) or 0.0


def mean(values: Iterable[float]) -> float | None:
    """None of nothing."""
    known = list(values)
    return math.fsum(known) / len(known) if known else None


def shares_source(pair: Aligned) -> bool:
    """Whether what both have in common could raise their sum by so much that they are of one source."""
    return most_db(pair) >= HELPS_DB


def gains_db(before: Aligned, after: Aligned) -> dict[float, float]:
    """What the sum as it is has gained in each third octave that is heard."""
    now = {band.midband_hz: band.now_db for band in after.bands if band.heard}
    return {
        band.midband_hz: now[band.midband_hz] - band.now_db
        for band in before.bands
        if band.heard and band.midband_hz in now
    }


def energy_db(one: Scratch, other: Scratch) -> float | None:
    """Energy of the sum of two sounds from start to end, in frames at full scale; None for silence."""
    shorter, longer = sorted((one, other), key=lambda sound: sound.frames)
    energy = 0.0
    for first, block in longer.blocks():
        both = block + shorter.read(first, len(block))
        energy += float(np.einsum("i,i", both, both))
    return power_db(energy)
