"""Bells whose gain moves: the band-pass they are made from, how their level is followed, the treatment."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar, Literal

import numpy as np

from busproc.kernels import biquad, dynamics
from busproc.measure.decibels import SINE_CREST_DB
from busproc.stages.ballistics import Ballistics, Memory
from busproc.stages.treatments import Audio, Treatment

MOST_DB = 60.0
"""Deepest reduction of a dynamic bell."""

KNEE_DB = 6.0
"""Width of the bend around a dynamic bell's threshold."""


@dataclass(frozen=True)
class BandPass:
    """What lies around a frequency, at gain 1 in the middle: the difference that a bell makes, scaled.

    `bell (sections, 5)` cuts or boosts to the linear gain `bell_gain` there.
    """

    bell: Audio
    bell_gain: float
    on: Literal["left_right", "mid", "side"]

    def start(self, lanes: int) -> Audio:
        """Memory of the bell."""
        return np.zeros((len(self.bell), 2, lanes * (2 if self.on == "left_right" else 1)))

    def apply(self, memory: Audio, lanes: Audio) -> Audio:
        """Filter `lanes (frames, lanes, 2)`; mid and side come as one column: `(frames, lanes, 1 or 2)`."""
        part = lanes
        if self.on != "left_right":
            sign = 1.0 if self.on == "mid" else -1.0
            part = 0.5 * (lanes[..., :1] + sign * lanes[..., 1:])
        columns = np.ascontiguousarray(part).reshape(len(part), -1)
        change = biquad.run_sections(self.bell, memory, columns) - columns
        return (change / (self.bell_gain - 1.0)).reshape(part.shape)


@dataclass(frozen=True)
class Detector:
    """What follows the level of one dynamic bell's region and works out its gain."""

    band: BandPass
    threshold_dbfs: float
    slope: float
    rms_keep: float
    pace: Ballistics

    def start(self) -> tuple[Audio, Audio, Memory]:
        """Memories of band-pass, mean squares and reduction."""
        return self.band.start(1), np.zeros(2), self.pace.start(1)

    def gain(self, memory: tuple[Audio, Audio, Memory], bus: Audio) -> Audio:
        """Gain `(frames,)` for a block of the bus."""
        band_memory, mean_square, reduction = memory
        region = self.band.apply(band_memory, bus[:, None, :])[:, 0]
        both = region if region.shape[1] == 2 else np.repeat(region, 2, axis=1)
        power = dynamics.louder(dynamics.mean_square_of_each(both, self.rms_keep, mean_square))
        level_db = dynamics.decibels(power, dynamics.OCTAVE_DB / 2, SINE_CREST_DB)
        wanted = dynamics.wanted_reduction(level_db, self.threshold_dbfs, self.slope, KNEE_DB, MOST_DB)
        gain: Audio = dynamics.gain_of(self.pace.follow(reduction, wanted), 0.0, 1.0)[0]
        return gain


@dataclass(frozen=True)
class MovingBells(Treatment):
    """Treat in a fixed way, then by bells whose gains are the decision `(frames, bands)`.

    Each bell adds (gain - 1) times its band, so that a gain of 1 changes nothing.
    """

    fixed: Treatment
    bands: tuple[BandPass, ...]
    shapes_spectrum: ClassVar[bool] = True

    @property
    def band_gains(self) -> int:  # type: ignore[override]
        """One gain for each band."""
        return len(self.bands)

    def start(self, lanes: int) -> tuple[Any, list[Audio]]:
        """Memories of the fixed sections and of each band."""
        return self.fixed.start(lanes), [band.start(lanes) for band in self.bands]

    def apply(self, state: tuple[Any, list[Audio]], decision: Audio, lanes: Audio) -> Audio:
        """Filter, then add what each band changes."""
        out = self.fixed.apply(state[0], None, lanes)
        for band, memory, gain in zip(self.bands, state[1], decision.T, strict=True):
            change = (gain - 1.0)[:, None, None] * band.apply(memory, out)
            out = out + (change * [1.0, -1.0] if band.on == "side" else change)
        return out
