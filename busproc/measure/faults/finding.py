"""What a search for a fault gives."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from busproc.measure.passages import Passage

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

APART_S = 1.0
"""Places nearer to each other than this are one passage."""


@dataclass(frozen=True, kw_only=True)
class Finding:
    """Whether a fault was found. Each kind adds its measures.

    Attributes
    ----------
    found
        Whether it is a fault.
    confidence
        0 to 1, 0.5 at the least that is found, 1 where the measure lies well past it. Ours, no probability.
    where
        The passages it was found in; empty where it was not found, or has no place.
    """

    found: bool
    confidence: float
    where: tuple[Passage, ...] = ()


def sureness(value: float, least: float, sure: float) -> float:
    """Return 0.5 at `least`, 1 at `sure` and past it, and less before, down to 0."""
    return min(max(0.5 + 0.5 * (value - least) / (sure - least), 0.0), 1.0)


def passages(starts_s: ArrayLike, length_s: float, apart_s: float = APART_S) -> tuple[Passage, ...]:
    """Join places of one length, given by their starts in order, to the passages that they make up."""
    starts = np.asarray(starts_s, dtype=np.float64)
    if not len(starts):
        return ()
    breaks = np.flatnonzero(np.diff(starts) > length_s + apart_s)
    firsts, lasts = starts[[0, *(breaks + 1)]], starts[[*breaks, -1]]
    return tuple(Passage(float(a), float(b + length_s)) for a, b in zip(firsts, lasts, strict=True))
