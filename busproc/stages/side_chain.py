"""Bands of an EQ that only a detector hears."""

from __future__ import annotations

from typing import Annotated

import numpy as np
from pydantic import Field

from busproc.stages import filters
from busproc.stages.eq_bands import Notch, On, Pass, Shaped, Tilt
from busproc.stages.filters import Section
from busproc.stages.treatments import Audio, Sections

FixedBand = Annotated[Shaped | Tilt | Notch | Pass, Field(discriminator="shape")]

SideChain = Annotated[tuple[FixedBand, ...], Field(max_length=8)]


def sections_of(bands: SideChain, rate_hz: float) -> Sections:
    """Filters of a side chain."""
    rows: dict[On, list[Section]] = {"left_right": [], "mid": [], "side": []}
    for band in bands:
        rows[band.on] += band.sections(rate_hz)
    return Sections(*(filters.sections(row) for row in rows.values()))


def heard_through(sections: Sections, memory: tuple[Audio, Audio, Audio], sound: Audio) -> Audio:
    """What a detector hears of a sound `(frames, 2)`; `memory`, of one lane, is updated."""
    return np.ascontiguousarray(sections.apply(memory, None, sound[:, None])[:, 0])
