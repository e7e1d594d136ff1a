"""A look-ahead limiter that hears the peaks between the samples."""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from busproc.kernels import limit, oversample
from busproc.measure.highest import PAD_FRAMES
from busproc.scratch import Scratch
from busproc.stages.base import Audio, Decider, Heard, Verdict
from busproc.stages.compressor import keep_of
from busproc.stages.context import Context
from busproc.stages.limiting import LimiterPlan, LimiterStudy, easing_lengths
from busproc.stages.observe import Totals
from busproc.stages.study import Study
from busproc.stages.treatments import Gain

FACTOR = 8
"""Oversampling of the streaming detector; a parabola refines each peak."""

SUSTAINED_SHARE = 0.5
SUSTAINED_ATTACK_MS = 300.0


class Limiter(Decider):
    """Hold the bus under a ceiling by turning it down just before each peak.

    Decides: one gain curve (frames,) from the louder true peak of left and right. Treatment: Gain.
    The gain falls within the look-ahead, is held, and rises at two speeds: fast after a single peak,
    slowly after sustained limiting. Hold and look-ahead together reach half a period of 33 Hz, so low
    notes are not bent.
    In a render the whole song is limited beforehand (`verify`): what leaves is measured by a bank of
    interpolators, corrected where it passes the ceiling, and trimmed by what is left. Streaming, it
    may pass the ceiling by some hundredths of a dB on music, and by more on noise above 20 kHz.
    Latency: none when verified; streaming, the look-ahead and the detector's filter. Tail: none.
    Neutral: a ceiling above the peak.
    Not to be confused with: clipping, which changes the wave and not its level.
    Source: true peak as in BS.1770-5 Annex 2, with longer interpolators; the rest common practice.
    """

    stage: Literal["limiter"] = "limiter"
    neutral: ClassVar = {"ceiling_dbtp": 6.0, "target_lufs": None}
    logs_true_peak: ClassVar = True

    ceiling_dbtp: Annotated[float, Field(ge=-24, le=6, strict=True)] = -1.0
    """Highest true peak that leaves."""
    target_lufs: Annotated[float, Field(ge=-60, le=-3, strict=True)] | None = None
    """Integrated loudness that leaves, reached by a gain into the limiter; null changes nothing."""
    lookahead_ms: Annotated[float, Field(ge=0.5, le=20, strict=True)] = 5.0
    """How long before a peak the gain starts to fall."""
    hold_ms: Annotated[float, Field(ge=0, le=100, strict=True)] = 10.0
    """How long the gain stays down before it rises."""
    release_ms: Annotated[float, Field(ge=1, le=2000, strict=True)] = 150.0
    """Time to 63.2 % of the rise after a single peak."""
    sustained_release_ms: Annotated[float, Field(ge=1, le=10000, strict=True)] = 800.0
    """Time to 63.2 % of the rise of the part (half) that follows sustained limiting."""
    verify: bool = True
    """Whether the whole song is limited and checked before the render; false decides while it streams."""

    def plan(self, context: Context) -> LimiterPlan:
        """Turn times into frames: three running means as long together as the look-ahead."""
        rate = context.rate_hz
        ahead = max(3, round(self.lookahead_ms * rate / 1000))
        gain = context.known("gain")
        streaming_frames = oversample.up_latency_frames(FACTOR) + ahead
        resting = 10 ** (context.known("drive_db", 0.0) / 20)
        return LimiterPlan(
            treatment=Gain(resting_gain=resting * context.known("trim", 1.0)),
            lookahead_frames=0 if gain else streaming_frames,
            ceiling=10 ** (self.ceiling_dbtp / 20),
            ahead_frames=ahead,
            window_frames=ahead + 2 + round(self.hold_ms * rate / 1000),
            fast_keep=keep_of(self.release_ms, rate),
            slow_keeps=(keep_of(SUSTAINED_ATTACK_MS, rate), keep_of(self.sustained_release_ms, rate)),
            slow_share=SUSTAINED_SHARE,
            lengths=easing_lengths(ahead),
            gain=gain,
            resting_gain=resting,
            arrival_frames=context.arrival_frames,
        )

    def study(self, context: Context) -> Study | None:
        """Limit the whole song beforehand."""
        wanted = self.verify or self.target_lufs is not None
        return (
            LimiterStudy(self.plan(context), self.ceiling_dbtp, self.target_lufs, context.rate_hz)
            if wanted
            else None
        )

    def memory(self, plan: LimiterPlan) -> dict[str, Any]:
        """Place in the song; streaming, the detector and the smoothing as well."""
        return {
            "at": np.zeros(1, dtype=np.int64),
            "up": oversample.start_up(FACTOR, 2),
            "peaks": np.zeros((2, 2)),
            **plan.fresh_memory(),
        }

    def decide(self, plan: LimiterPlan, memory: dict[str, Any], heard: Heard) -> Audio:
        """Look the gain up, or find the peaks and ask for the gain they need."""
        if plan.gain is not None:
            return self._look_up(plan, plan.gain, memory["at"], len(heard.bus))
        fine = oversample.up(FACTOR, memory["up"], heard.bus)
        found = limit.peak_in_cells(fine, FACTOR, memory["peaks"], plan.ceiling)
        return plan.smooth(plan.ceiling / np.maximum(found, plan.ceiling), memory)

    @staticmethod
    def _look_up(plan: LimiterPlan, gain: Scratch, at: NDArray[np.int64], frames: int) -> Audio:
        first = int(at[0]) - plan.arrival_frames + PAD_FRAMES
        at[0] += frames
        curve = gain.read(first, frames)
        curve[: max(0, -first)] = plan.resting_gain
        curve[max(0, gain.frames - first) :] = plan.resting_gain
        return curve * (plan.treatment.resting_gain / plan.resting_gain)

    def explain(self, plan: LimiterPlan, totals: Totals) -> Verdict:
        """Count what it caught."""
        gain = totals.gain
        did = {**gain.as_dict(), "level_change_db": round(totals.level_change_db, 2)}
        drive = ""
        if self.target_lufs is not None:
            drive = f"Driven by {20 * np.log10(plan.resting_gain):+.2f} dB to {self.target_lufs:g} LUFS. "
        if totals.before.peak_dbfs is None:
            return Verdict("left alone", "Nothing sounded, 0 dB changed.", did)
        if gain.deepest_db < 0.01:
            why = f"{drive}Under 0.01 dB of reduction: no peak passes {self.ceiling_dbtp:g} dBTP."
            return Verdict("worked" if drive else "left alone", why, did)
        return Verdict(
            "worked" if gain.deepest_db >= 0.5 or drive else "slight",
            f"{drive}Held {gain.events} passage{'s' * (gain.events != 1)} under {self.ceiling_dbtp:g} dBTP; "
            f"at most {gain.deepest_db:.1f} dB ({gain.deepest_at_s:.1f} s), working "
            f"{gain.working_share:.1%} of the time.",
            did,
        )
