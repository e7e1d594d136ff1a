"""A gate and downward expander: turn down what is quiet."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, ClassVar, Literal

import numpy as np
from pydantic import Field

from busproc.kernels import dynamics, gating
from busproc.stages.ballistics import keep_of
from busproc.stages.base import Audio, Decider, Heard, Key, Plan, Verdict, Word
from busproc.stages.compressor import RMS_WINDOW_MS
from busproc.stages.context import Context
from busproc.stages.highest import Highest
from busproc.stages.observe import GainTally, Totals
from busproc.stages.side_chain import SideChain, heard_through, sections_of
from busproc.stages.treatments import Gain, Sections

SWITCH = 1e9
"""Slope that stands for an infinite ratio: the whole range within a billionth of it in dB."""

SILENT_DB = -300.0

SLIGHT_DB = 1.0
"""A reduction that never reaches this is called slight. Ours, not a standard's."""


@dataclass(frozen=True, kw_only=True)
class GatePlan(Plan):
    """What detector, hold and follower need."""

    side_chain: Sections
    rms_keep: float
    highest: Highest
    curve: tuple[float, float, float, float]
    """Threshold, hysteresis, slope and the most reduction, all but the slope in dB."""
    keeps: tuple[float, float]
    """Of attack and release."""


class Gate(Decider):
    """Turn the bus down while it is quiet: a gate at a ratio of infinity, an expander at a smaller one.

    Decides: a gain curve (frames,) from the louder of left and right, or from a key. Treatment: Gain.
    Latency: the look-ahead. Tail: none. Neutral: ratio 1, or range 0.
    Under the threshold the output falls by `ratio` dB for each dB of the level, until it is `range_db` lower
    than it came. A gate that has opened stays fully open until the level is under the threshold by the
    hysteresis. The level is the highest within the hold, so it does not follow single waves while the hold is
    half a period or more: 25 ms for 20 Hz.
    Attack and release are the time in which the gain covers 63.2 % of a change in dB: 4 attacks after a
    sound, a gate of 40 dB is open to within 0.7 dB, and a look-ahead as long lets its first frame pass so.
    Whether it is open is a jump, decided once, on the bus: all lanes get the same gain. It begins closed.
    Not to be confused with: the compressor, which turns down what is loud.
    Source: static curve of a downward expander: common practice, no source; follower in dB: Giannoulis,
    Massberg, Reiss, JAES 60(6), 2012, smooth branching, attack and release in each other's place.
    """

    stage: Literal["gate"] = "gate"
    neutral: ClassVar = {"ratio": 1.0}

    threshold_dbfs: Annotated[float, Field(ge=-90, le=0, strict=True)] = -40.0
    """Level at which it opens."""
    ratio: Annotated[float, Field(ge=1, le=1000, strict=True)] | Literal["infinity"] = "infinity"
    """How many dB the output falls for one of the input under the threshold; at infinity by all the range."""
    range_db: Annotated[float, Field(ge=0, le=60, strict=True)] = 40.0
    """The most reduction there may be."""
    hysteresis_db: Annotated[float, Field(ge=0, le=24, strict=True)] = 4.0
    """How far under the threshold the level must fall for an open gate to close."""
    attack_ms: Annotated[float, Field(ge=0, le=500, strict=True)] = 0.5
    """Time to 63.2 % of its way open in dB."""
    hold_ms: Annotated[float, Field(ge=0, le=2000, strict=True)] = 30.0
    """How long it waits after the level has fallen."""
    release_ms: Annotated[float, Field(ge=1, le=5000, strict=True)] = 100.0
    """Time to 63.2 % of its way closed in dB."""
    lookahead_ms: Annotated[float, Field(ge=0, le=20, strict=True)] = 1.0
    """How long before a sound it starts to open; the bus is delayed by as much."""
    detector: Literal["peak", "rms"] = "peak"
    """What is compared with the threshold: each sample's peak, or a running RMS (a sine reads its peak)."""
    rms_window_ms: Annotated[float, Field(ge=0.1, le=1000, strict=True)] = RMS_WINDOW_MS
    """Time constant of the RMS."""
    side_chain: SideChain = ()
    """Bands of an EQ that only the detector hears."""
    key: Key | None = None
    """A stem, group or return that opens it in place of the bus."""

    def plan(self, context: Context) -> GatePlan:
        """Derive coefficients."""
        rate = context.rate_hz
        ahead = round(self.lookahead_ms * rate / 1000)
        slope = SWITCH if self.ratio == "infinity" else self.ratio - 1
        return GatePlan(
            treatment=Gain(),
            lookahead_frames=ahead,
            side_chain=sections_of(self.side_chain, rate),
            rms_keep=keep_of(self.rms_window_ms, rate),
            highest=Highest(1 + ahead + round(self.hold_ms * rate / 1000)),
            curve=(self.threshold_dbfs, self.hysteresis_db, slope, self.range_db),
            keeps=(keep_of(self.attack_ms, rate), keep_of(self.release_ms, rate)),
        )

    def memory(self, plan: GatePlan) -> dict[str, Any]:
        """Side-chain filters, mean squares, the highest levels, and the reduction, that of silence."""
        threshold_db, _, slope, most_db = plan.curve
        return {
            "side_chain": plan.side_chain.start(1),
            "mean_square": np.zeros(2),
            "highest": plan.highest.start(),
            "gate": np.array([gating.below(SILENT_DB, threshold_db, slope, most_db), 0.0]),
        }

    def decide(self, plan: GatePlan, memory: dict[str, Any], heard: Heard) -> Audio:
        """Read the level, hold it, follow the reduction that it asks for."""
        sound = heard.keys[self.key.name] if self.key else heard.bus
        sound = heard_through(plan.side_chain, memory["side_chain"], sound)
        level_db = dynamics.level_db_of(
            sound, self.detector == "rms", plan.rms_keep, True, memory["mean_square"]
        )[0]
        held_db = plan.highest.of(level_db, memory["highest"])
        return dynamics.gain_of(
            gating.follow_gate(held_db, *plan.curve, *plan.keeps, memory["gate"]), 0.0, 1.0
        )

    def explain(self, plan: GatePlan, totals: Totals) -> Verdict:  # noqa: ARG002
        """Tell how much of the time it was not open, how often it closed, and how far."""
        gain = totals.gain
        did = {**gain.as_dict(), "level_change_db": round(totals.level_change_db, 2)}
        told = f" It listens to {self.key.source}." if self.key else ""
        if gain.deepest_db < 0.1:
            set_to = f"threshold {self.threshold_dbfs:g} dBFS, ratio {self.ratio}, range {self.range_db:g} dB"
            return Verdict("left alone", f"Under 0.1 dB of reduction ({set_to}).{told}", did)
        word: Word = "slight" if gain.deepest_db < SLIGHT_DB else "worked"
        return Verdict(word, f"{self._closed(gain)}; {gain.told}.{told}", did)

    def _closed(self, gain: GainTally) -> str:
        if gain.working_share == 1:
            return f"Never fully open, as nothing reached {self.threshold_dbfs:g} dBFS for long"
        times = f"{gain.events} time{'s' * (gain.events != 1)}"
        return f"Closed, or not fully open, {gain.working_share:.0%} of the time, {times}"
