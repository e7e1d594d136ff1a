"""A bus compressor: turn down what is loud, by a ratio, at a pace."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field

from busproc.kernels import biquad, envelope
from busproc.stages import filters
from busproc.stages.base import Audio, Context, Decider, Heard, Key, Plan, Verdict
from busproc.stages.observe import Totals
from busproc.stages.treatments import Gain

RMS_WINDOW_MS = 10.0
"""Time constant of the RMS detector."""

SLIGHT_DB = 1.0
"""A 95th percentile of reduction under this is called slight. Ours, not a standard's."""


@dataclass(frozen=True, kw_only=True)
class CompressorPlan(Plan):
    """Coefficients of the detector and the smoother."""

    high_pass: Audio
    rms_keep: float
    slope: float
    attack_keep: float
    release_keep: float


def keep_of(time_ms: float, rate_hz: float) -> float:
    """One-pole coefficient that covers 63.2 % of a step in the time; 0 for no time.

    Source: alpha = exp(-1 / (tau fs)), Giannoulis, Massberg, Reiss, JAES 60(6), 2012.
    """
    return math.exp(-1000.0 / (time_ms * rate_hz)) if time_ms > 0 else 0.0


class Compressor(Decider):
    """Turn the bus down by a ratio above a threshold, both sides alike.

    Decides: one gain curve (frames,) from the louder of left and right, or from a key.
    Treatment: Gain. Latency: none. Tail: none. Neutral: ratio 1 with no make-up, or mix 0.
    Attack and release are the time in which the gain covers 63.2 % of a change in dB.
    Not to be confused with: a limiter, which guarantees a ceiling.
    Source: Giannoulis, Massberg, Reiss, 'Digital Dynamic Range Compressor Design: A Tutorial and
    Analysis', JAES 60(6), 2012: feed-forward, level in dB, soft knee, smooth branching detector.
    """

    stage: Literal["compressor"] = "compressor"
    neutral: ClassVar = {"ratio": 1.0, "makeup_db": 0.0}

    threshold_dbfs: Annotated[float, Field(ge=-80, le=0, strict=True)] = -18.0
    """Level where gain reduction starts."""
    ratio: Annotated[float, Field(ge=1, le=100, strict=True)] = 2.0
    """How many dB the input must rise for the output to rise by one."""
    knee_db: Annotated[float, Field(ge=0, le=40, strict=True)] = 6.0
    """Width of the bend around the threshold."""
    attack_ms: Annotated[float, Field(ge=0, le=500, strict=True)] = 30.0
    """Time to 63.2 % of a rise in reduction."""
    release_ms: Annotated[float, Field(ge=1, le=5000, strict=True)] = 120.0
    """Time to 63.2 % of a fall in reduction."""
    detector: Literal["peak", "rms"] = "rms"
    """What is compared with the threshold: each sample's peak, or RMS over 10 ms (a sine reads its peak)."""
    side_chain_high_pass_hz: Annotated[float, Field(ge=10, le=2000, strict=True)] | None = None
    """The detector hears only what is above this, 12 dB/octave; null hears all."""
    key: Key | None = None
    """A stem, group or return that the detector listens to in place of the bus."""
    makeup_db: Annotated[float, Field(ge=-24, le=24, strict=True)] = 0.0
    """Gain after the reduction."""
    mix: Annotated[float, Field(ge=0, le=1, strict=True)] = 1.0
    """Share of the compressed sound; the rest is the untouched bus."""

    def plan(self, context: Context) -> CompressorPlan:
        """Derive coefficients."""
        rate = context.rate_hz
        high_pass = filters.no_sections()
        if self.side_chain_high_pass_hz is not None:
            high_pass = filters.sections(filters.high_pass(self.side_chain_high_pass_hz, 12, rate))
        resting = 1 + self.mix * (10 ** (self.makeup_db / 20) - 1)
        return CompressorPlan(
            treatment=Gain(resting_gain=resting),
            high_pass=high_pass,
            rms_keep=keep_of(RMS_WINDOW_MS, rate),
            slope=1 - 1 / self.ratio,
            attack_keep=keep_of(self.attack_ms, rate),
            release_keep=keep_of(self.release_ms, rate),
        )

    def memory(self, plan: CompressorPlan) -> dict[str, Audio]:
        """Side-chain filter, mean squares, smoothed reduction."""
        return {
            "high_pass": np.zeros((len(plan.high_pass), 2, 2)),
            "mean_square": np.zeros(2),
            "reduction": np.zeros(1),
        }

    def decide(self, plan: CompressorPlan, memory: dict[str, Audio], heard: Heard) -> Audio:
        """Follow the level, look the reduction up, smooth it."""
        sound = heard.keys[self.key.name] if self.key else heard.bus
        if len(plan.high_pass):
            sound = biquad.run_sections(plan.high_pass, memory["high_pass"], sound)
        if self.detector == "rms":
            level = envelope.rms_of_both(sound, plan.rms_keep, memory["mean_square"])
        else:
            level = envelope.peak_of_both(sound)
        gain_db = envelope.compress(
            level,
            self.threshold_dbfs,
            plan.slope,
            self.knee_db,
            plan.attack_keep,
            plan.release_keep,
            memory["reduction"],
        )
        return envelope.blend_gain(gain_db, self.makeup_db, self.mix)

    def explain(self, plan: CompressorPlan, totals: Totals) -> Verdict:  # noqa: ARG002
        """Judge by how much of the time it worked and how deep."""
        gain = totals.gain
        did = {**gain.as_dict(), "level_change_db": round(totals.level_change_db, 2)}
        if gain.deepest_db < 0.1:
            heard = f"the {self.key.source} key" if self.key else "the bus"
            return Verdict(
                "left alone",
                f"Under 0.1 dB of reduction: {heard} stays under {self.threshold_dbfs:g} dBFS.",
                did,
            )
        loud = gain.percentile_db(95)
        return Verdict(
            "slight" if loud < SLIGHT_DB else "worked",
            f"At work {gain.working_share:.0%} of the time; reduction {gain.percentile_db(50):.1f} dB in the "
            f"median, {loud:.1f} dB at the 95th percentile, {gain.deepest_db:.1f} dB at most "
            f"({gain.deepest_at_s:.1f} s).",
            did,
        )
