"""Bands side by side, each with its own stages and level."""

from __future__ import annotations

import itertools
import math
from typing import Annotated, Any, ClassVar, Literal

import numpy as np
from pydantic import Field, field_validator

from busproc.stages import filters
from busproc.stages.base import Stage
from busproc.stages.composite import Composite, CompositePlan, CompositeState, Level, Path
from busproc.stages.context import Context
from busproc.stages.convolution import Convolve
from busproc.stages.linear_phase import BLOCK_FRAMES, taps_of
from busproc.stages.treatments import Audio, Sections, Treatment

HEARD_DB = 0.05
"""A change of level under this is called none. Ours, not a standard's."""


class Top(Path):
    """What lies above the last crossover, with stages of its own."""

    level_db: Level = 0.0
    """How loud its output is in the sum."""


class Band(Top):
    """What lies under a crossover and above the one before, with stages of its own."""

    up_to_hz: Annotated[float, Field(ge=20, le=20000, strict=True)]
    """Crossover to the next band: 6 dB down in both."""


class Split(Composite):
    """Cut the bus into bands at crossovers, treat each band by itself, and sum them.

    Composite: it decides nothing, its bands' stages do. Crossovers: Linkwitz-Riley, 24 dB/octave; with
    minimum phase lower bands go through the all-passes of the crossovers above them, so untouched bands
    sum to an all-pass, flat in level; with linear phase they sum to the input, later.
    Latency: that of the slowest band, to which linear phase adds its filters' half length; the other bands
    wait. Neutral: no bands.
    Not to be confused with: parallel, whose branches are all the whole bus; a dynamic bell of the EQ.
    Source: Linkwitz, 'Active Crossover Networks for Noncoincident Drivers', JAES 24(1), 1976.
    """

    stage: Literal["split"] = "split"
    neutral: ClassVar = {"bands": (), "top": None}

    bands: Annotated[tuple[Band, ...], Field(max_length=4)] = ()
    """The bands from the lowest up, each up to its crossover."""
    top: Top | None = None
    """What lies above the last crossover; null passes it as it comes."""
    phase: Literal["minimum", "linear"] = "minimum"
    """Whether crossovers turn the phase, or delay everything alike instead."""

    @field_validator("bands")
    @classmethod
    def _rising(cls, bands: tuple[Band, ...]) -> tuple[Band, ...]:
        edges_hz = [band.up_to_hz for band in bands]
        if any(high <= low for low, high in itertools.pairwise(edges_hz)):
            told = ", ".join(f"{edge:g}" for edge in edges_hz)
            raise ValueError(f"up_to_hz must rise from band to band, not {told}")
        return bands

    def paths(self) -> list[tuple[str, float | None, tuple[Stage, ...]]]:
        """The bands from the lowest up."""
        top = self.top or Top()
        bands: list[tuple[str, float | None, tuple[Stage, ...]]] = [
            (f"bands[{k}]", band.level_db, band.stages) for k, band in enumerate(self.bands)
        ]
        return [*bands, ("top", top.level_db, top.stages)]

    def entrance(self, step: str) -> Stage:
        """A split like this with no stages, and of its bands only the one that `step` leads to."""
        alone = [
            {"level_db": 0.0 if where == step else -math.inf, "stages": ()} for where, *_ in self.paths()
        ]
        bands = [band.model_copy(update=update) for band, update in zip(self.bands, alone, strict=False)]
        top = Top().model_copy(update=alone[-1])
        return self.model_copy(update={"bands": tuple(bands), "top": top, "when": None})

    def entrances(self, context: Context) -> list[Treatment | None]:
        """The filters of each band."""
        if not self.bands:
            return [None]
        edges_hz = [band.up_to_hz for band in self.bands]
        if self.phase == "linear":
            return [_convolve(taps) for taps in _linear(edges_hz, context.rate_hz)]
        return [Sections(both=rows) for rows in _minimum(edges_hz, context.rate_hz)]

    def own_settings(self) -> dict[str, Any]:
        """Crossovers and phase."""
        return {"up_to_hz": [band.up_to_hz for band in self.bands], "phase": self.phase}

    def verdict(self, plan: CompositePlan, state: CompositeState) -> tuple[str, str]:
        """Judge by how the level of the sum changed."""
        before, after = state.before.rms_dbfs, state.after.rms_dbfs
        if before is None or after is None:
            return "left alone", "Nothing sounded, 0 dB changed."
        idle = not any(path.series.steps or path.level_db for path in plan.paths)
        if idle:
            word = "slight" if self.bands and self.phase == "minimum" else "left alone"
            return word, f"{self._cut()}, 0 of them with stages or a level of its own."
        levels = ", ".join(
            "silent" if path.level.rms_dbfs is None else f"{path.level.rms_dbfs - before:+.1f}"
            for path in state.paths
        )
        word = "worked" if abs(after - before) >= HEARD_DB else "slight"
        return word, (
            f"{self._cut()}: against the bus they came back at {levels} dB; the sum changed by "
            f"{after - before:+.2f} dB."
        )

    def _cut(self) -> str:
        if not self.bands:
            return "1 band, the whole bus"
        edges = ", ".join(f"{band.up_to_hz:g}" for band in self.bands)
        return f"{len(self.bands) + 1} bands, cut at {edges} Hz"


def _minimum(edges_hz: list[float], rate_hz: int) -> list[Audio]:
    """Sections of each band: high-passes of the edges below, its low-pass, all-passes of those above."""
    cascades = []
    for k in range(len(edges_hz) + 1):
        rows = [row for edge in edges_hz[:k] for row in filters.high_pass(edge, 12, rate_hz) * 2]
        if k < len(edges_hz):
            rows += filters.low_pass(edges_hz[k], 12, rate_hz) * 2
        rows += [filters.all_pass(edge, 0.5**0.5, rate_hz) for edge in edges_hz[k + 1 :]]
        cascades.append(filters.sections(rows))
    return cascades


def _linear(edges_hz: list[float], rate_hz: int) -> list[Audio]:
    """Impulse responses of each band, one length, even around the middle; they add up to one impulse.

    The gain of a Linkwitz-Riley low-pass, no phase; a band is what lies under its edge and not under the one
    before.
    """
    lows = [taps_of(tuple(filters.low_pass(edge, 12, rate_hz) * 2), rate_hz) for edge in edges_hz]
    length = max(len(low) for low in lows)
    under = [np.pad(low, (length - len(low)) // 2) for low in lows]
    whole = np.zeros(length)
    whole[length // 2] = 1.0
    steps = [np.zeros(length), *under, whole]
    return [high - low for low, high in itertools.pairwise(steps)]


def _convolve(taps: Audio) -> Convolve:
    return Convolve(taps, np.zeros(0), min(len(taps), BLOCK_FRAMES), len(taps) // 2)
