"""Copies of mid that wander, a treatment like those in `treatments`."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from busproc.kernels import moving_taps
from busproc.stages.treatments import Audio, Treatment


@dataclass
class CopiesState:
    """What has been heard of mid, `(lanes, frames)`, and the frame that comes next."""

    heard: Audio
    frame: int


@dataclass(frozen=True)
class Copies(Treatment):
    """Add copies of mid to `dry` times the sound, each late by a time that wanders. Decides nothing.

    `aims (copies, count)` are the delays in frames that each goes to in turn, in `steps (copies,)` frames
    from one to the next; `gains (copies, 2)` lead it to left and right. Time counts from `first_frame`, the
    same for all lanes, however the stream is cut.
    """

    dry: float
    gains: Audio
    aims: Audio
    steps: Audio
    first_frame: int

    @cached_property
    def reach_frames(self) -> int:
        """How much of the past a copy may need."""
        return math.ceil(float(self.aims.max())) + moving_taps.REACH

    def delays(self, first: int, frames: int) -> Audio:
        """How late each copy is, in frames: `(copies, frames)` from the frame `first` of the song on."""
        return moving_taps.wander(self.aims, self.steps, first, frames)

    def start(self, lanes: int) -> CopiesState:
        """Silence."""
        return CopiesState(np.zeros((lanes, self.reach_frames)), self.first_frame)

    def apply(self, state: CopiesState, decision: None, lanes: Audio) -> Audio:  # noqa: ARG002
        """Read the past of mid where the copies are."""
        if not self.gains.any():
            return lanes
        mid = 0.5 * (lanes[..., 0] + lanes[..., 1])
        heard = np.concatenate([state.heard, mid.T], axis=1)
        delays = self.delays(state.frame, len(lanes))
        out = self.dry * lanes
        moving_taps.add_copies(out, heard, delays, moving_taps.weights(), self.gains)
        state.heard, state.frame = heard[:, len(lanes) :].copy(), state.frame + len(lanes)
        return out
