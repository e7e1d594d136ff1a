"""A look-ahead limiter that hears the peaks between the samples."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from busproc.kernels import limit, oversample
from busproc.stages.base import Audio, Context, Decider, Heard, Plan, Verdict
from busproc.stages.compressor import keep_of
from busproc.stages.observe import Totals
from busproc.stages.treatments import Gain

FACTOR = 8
"""Oversampling of the detector; a parabola refines each peak."""


@dataclass(frozen=True, kw_only=True)
class LimiterPlan(Plan):
    """Lengths of the windows, in frames."""

    ceiling: float
    window_frames: int
    release_keep: float
    lengths: NDArray[np.int64]


class Limiter(Decider):
    """Hold the bus under a ceiling by turning it down just before each peak.

    Decides: one gain curve (frames,) from the louder true peak of left and right. Treatment: Gain.
    Latency: the look-ahead and the detector's filter. Tail: none. Neutral: a ceiling above the peak.
    The gain is never above what the detector asks; it falls within the look-ahead, holds, and rises by
    a one-pole. Hold and look-ahead together reach half a period of 33 Hz, so low notes are not bent.
    Because the gain moves between samples, the true peak may pass the ceiling by some hundredths of a
    dB on music (measured in the tests); a delivery trims what is left after it has measured the file.
    Not to be confused with: clipping, which changes the wave and not its level.
    Source: true peak as in BS.1770-5 Annex 2, with a longer interpolator; the rest common practice.
    """

    stage: Literal["limiter"] = "limiter"
    neutral: ClassVar = {"ceiling_dbtp": 6.0}
    logs_true_peak: ClassVar = True

    ceiling_dbtp: Annotated[float, Field(ge=-24, le=6, strict=True)] = -1.0
    """Highest true peak that leaves."""
    lookahead_ms: Annotated[float, Field(ge=0.5, le=20, strict=True)] = 5.0
    """How long before a peak the gain starts to fall."""
    hold_ms: Annotated[float, Field(ge=0, le=100, strict=True)] = 10.0
    """How long the gain stays down before it rises."""
    release_ms: Annotated[float, Field(ge=1, le=2000, strict=True)] = 150.0
    """Time to 63.2 % of the rise."""

    def plan(self, context: Context) -> LimiterPlan:
        """Turn times into frames: three running means as long together as the look-ahead."""
        ahead = max(3, round(self.lookahead_ms * context.rate_hz / 1000))
        thirds = [(ahead + 2 + k) // 3 for k in range(3)]
        hold = round(self.hold_ms * context.rate_hz / 1000)
        lengths = np.array(thirds, dtype=np.int64)
        lengths.setflags(write=False)
        return LimiterPlan(
            treatment=Gain(),
            lookahead_frames=oversample.up_latency_frames(FACTOR) + ahead,
            ceiling=10 ** (self.ceiling_dbtp / 20),
            window_frames=ahead + 2 + hold,
            release_keep=keep_of(self.release_ms, context.rate_hz),
            lengths=lengths,
        )

    def memory(self, plan: LimiterPlan) -> dict[str, Any]:
        """Oversampling, peaks, sliding minimum, release and easing."""
        return {
            "up": oversample.start_up(FACTOR, 2),
            "peaks": np.zeros((2, 2)),
            "least": np.zeros(plan.window_frames),
            "least_at": np.zeros(plan.window_frames, dtype=np.int64),
            "least_ends": np.zeros(3, dtype=np.int64),
            "gain": np.ones(1),
            "rings": np.full((3, plan.lengths.max()), limit.ONE),
            "sums": plan.lengths * limit.ONE,
            "places": np.zeros(3, dtype=np.int64),
        }

    def decide(self, plan: LimiterPlan, memory: dict[str, Any], heard: Heard) -> Audio:
        """Find the peaks, ask for the gain they need, hold it, ease it."""
        fine = oversample.up(FACTOR, memory["up"], heard.bus)
        peaks = limit.peak_in_cells(fine, FACTOR, memory["peaks"])
        wanted = plan.ceiling / np.maximum(peaks, plan.ceiling)
        least = limit.slide_minimum(
            wanted, plan.window_frames, memory["least"], memory["least_at"], memory["least_ends"]
        )
        held = limit.release(least, plan.release_keep, memory["gain"])
        return limit.ease(held, plan.lengths, memory["rings"], memory["sums"], memory["places"])

    def explain(self, plan: LimiterPlan, totals: Totals) -> Verdict:  # noqa: ARG002
        """Count what it caught."""
        gain = totals.gain
        did = {**gain.as_dict(), "level_change_db": round(totals.level_change_db, 2)}
        if gain.deepest_db < 0.01:
            peak = totals.before.peak_dbfs
            heard = "nothing sounded" if peak is None else f"the loudest sample is at {peak:.1f} dBFS"
            return Verdict(
                "left alone",
                f"No peak reached {self.ceiling_dbtp:g} dBTP ({heard}); the gain stayed at 1.",
                did,
            )
        return Verdict(
            "worked" if gain.deepest_db >= 0.5 else "slight",
            f"Held {gain.events} passage{'s' * (gain.events != 1)} under {self.ceiling_dbtp:g} dBTP; at most {gain.deepest_db:.1f} dB "
            f"({gain.deepest_at_s:.1f} s), working {gain.working_share:.1%} of the time.",
            did,
        )
