"""A bus compressor: turn down what is loud, by a ratio, at a pace."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Annotated, Any, ClassVar, Literal, Self

import numpy as np
from pydantic import Field, model_validator

from busproc.kernels import dynamics, oversample
from busproc.stages.ballistics import (
    FAST_FALL_MS,
    SLOW_FALL_MS,
    SLOW_RISE_MS,
    Ballistics,
    decoupled_release_ms,
    keep_inside_loop,
    keep_of,
)
from busproc.stages.base import Audio, Decider, Heard, Key, Plan, Verdict
from busproc.stages.context import Context
from busproc.stages.observe import Totals
from busproc.stages.side_chain import SideChain, heard_through, sections_of
from busproc.stages.study import LoudnessStudy, Study
from busproc.stages.treatments import Gain, OversampledGain, Sections

__all__ = ["RMS_WINDOW_MS", "Compressor", "keep_of"]

RMS_WINDOW_MS = 10.0
"""Time constant of the RMS detector, if nothing else is set."""

SLIGHT_DB = 1.0
"""A 95th percentile of reduction under this is called slight. Ours, not a standard's."""

NO_LIMIT_DB = 1000.0
"""More reduction than any sound asks for."""

FEEDBACK_RATIO = 20.0
"""Highest ratio with which a compressor may hear its own output."""


@dataclass(frozen=True, kw_only=True)
class CompressorPlan(Plan):
    """What the detector, the curve and the smoother need; times are those of the detector's rate."""

    side_chain: Sections
    rms_keep: float
    ratio: float
    curve: tuple[float, float, float, float]
    """Threshold, slope, knee and the most reduction, all but the slope in dB."""
    link: float
    ballistics: Ballistics
    makeup_db: float
    dry: float
    wet: float

    @property
    def columns(self) -> int:
        """How many gains are decided."""
        return 1 if self.link == 1 else 2

    @cached_property
    def numbers(self) -> tuple[float, ...]:
        """All that `gain_of_sound` must know."""
        pace = self.ballistics
        return self.rms_keep, *self.curve, pace.attack_keep, pace.release_keep, self.dry, self.wet


class Compressor(Decider):
    """Turn the bus down by a ratio above a threshold.

    Decides: a gain curve (frames,) from the louder of left and right, or from a key; two of them
    (frames, 2) where the sides are not fully linked. Treatment: Gain; OversampledGain if oversampled.
    Latency: the look-ahead, and that of the oversampling filters. Tail: none.
    Neutral: ratio 1 with no make-up, or mix 0.
    Attack and release are the time in which the gain covers 63.2 % of a change in dB.
    Decoupled ballistics bend low tones less and let go later than set; the log has the true time.
    With feedback the level is that of the bus less the reduction in force, the static curve and the attack
    (over a hard knee) are corrected to be as set, and so is the release to rest.
    An automatic release lets go fast (80 ms) after a peak and slowly (1.5 s) after a long loud passage:
    63.2 % of a 12 dB reduction in 82, 85, 107, 379, 734 ms after 5, 20, 100, 500, 3000 ms (measured).
    A low tone is bent by a gain that follows each of its waves. Harmonics of 100 Hz, 12 dB over a hard
    4:1, together, in dB against the tone, for a release of 20 / 100 / 1000 ms (measured;
    -79 dB with the settings by default, 12 dB over the threshold):

    - peak, branching, attack 0.1 ms: -31 / -43 / -62
    - peak, branching, attack 10 ms: -38 / -47 / -64
    - peak, branching, attack 30 ms: -43 / -50 / -65
    - peak, decoupled, attack 10 ms: -54 / -67 / -87
    - peak, decoupled, attack 30 ms: -64 / -76 / -96
    - rms, branching, attack 0.1 ms: -54 / -67 / -87
    - rms, branching, attack 10 ms: -62 / -71 / -88
    - rms, branching, attack 30 ms: -66 / -74 / -89

    Not to be confused with: a limiter, which guarantees a ceiling.
    Source: Giannoulis, Massberg, Reiss, 'Digital Dynamic Range Compressor Design: A Tutorial and
    Analysis', JAES 60(6), 2012: feed-forward, level in dB, soft knee, smooth branching and smooth
    decoupled detectors. Feedback, hold and automatic release: common practice, no source.
    """

    stage: Literal["compressor"] = "compressor"
    neutral: ClassVar = {"ratio": 1.0, "makeup_db": 0.0}

    threshold_dbfs: Annotated[float, Field(ge=-80, le=0, strict=True)] = -18.0
    """Level where gain reduction starts."""
    ratio: Annotated[float, Field(ge=1, le=1000, strict=True)] | Literal["infinity"] = 2.0
    """How many dB the input must rise for the output to rise by one; at infinity it rises no more."""
    knee_db: Annotated[float, Field(ge=0, le=40, strict=True)] = 6.0
    """Width of the bend around the threshold."""
    range_db: Annotated[float, Field(ge=0, le=80, strict=True)] | None = None
    """The most reduction there may be; null sets no limit."""
    attack_ms: Annotated[float, Field(ge=0, le=500, strict=True)] = 30.0
    """Time to 63.2 % of a rise in reduction."""
    hold_ms: Annotated[float, Field(ge=0, le=1000, strict=True)] = 0.0
    """How long the reduction stays before it falls."""
    release_ms: Annotated[float, Field(ge=1, le=5000, strict=True)] | Literal["auto"] = 120.0
    """Time to 63.2 % of a fall in reduction; auto is the slower, the longer there was something to reduce."""
    ballistics: Literal["branching", "decoupled"] = "branching"
    """Attack while the reduction rises, release while it falls; or first the release, then the attack."""
    topology: Literal["feed_forward", "feedback"] = "feed_forward"
    """Whether the detector hears the bus as it comes or as it leaves, before make-up and mix."""
    lookahead_ms: Annotated[float, Field(ge=0, le=20, strict=True)] = 0.0
    """How long before a sound its reduction starts; the bus is delayed by as much."""
    detector: Literal["peak", "rms"] = "rms"
    """What is compared with the threshold: each sample's peak, or a running RMS (a sine reads its peak)."""
    rms_window_ms: Annotated[float, Field(ge=0.1, le=1000, strict=True)] = RMS_WINDOW_MS
    """Time constant of the RMS."""
    on: Literal["left_right", "mid_side"] = "left_right"
    """What is heard and turned down."""
    stereo_link: Annotated[float, Field(ge=0, le=1, strict=True)] | None = None
    """How far both follow the deeper reduction: 1 alike, 0 each its own; null is 1, for mid and side 0."""
    side_chain: SideChain = ()
    """Bands of an EQ that only the detector hears."""
    key: Key | None = None
    """A stem, group or return that the detector listens to in place of the bus."""
    makeup_db: Annotated[float, Field(ge=-24, le=24, strict=True)] | Literal["matched"] = 0.0
    """Gain after the reduction; matched makes the bus leave as loud as it came, over the whole song."""
    mix: Annotated[float, Field(ge=0, le=1, strict=True)] = 1.0
    """Share of the compressed sound; the rest is the untouched bus."""
    oversample: Literal[1, 2, 4] = 1
    """How many times the rate at which the gain is decided and applied: for attacks under 1 ms."""

    @model_validator(mode="after")
    def _can_hear_itself(self) -> Self:
        bars = {
            "key": self.key is not None,
            "lookahead_ms": self.lookahead_ms > 0,
            f"ratio above {FEEDBACK_RATIO:g}": self._ratio() > FEEDBACK_RATIO,
            "release_ms auto": self.release_ms == "auto",
            "ballistics decoupled": self.ballistics == "decoupled",
        }
        if self.topology == "feedback" and any(bars.values()):
            named = ", ".join(key for key, barred in bars.items() if barred)
            raise ValueError(f"topology feedback does not go with {named}")
        return self

    def study(self, context: Context) -> Study | None:
        """For matched make-up, how loud the bus comes and leaves."""
        return LoudnessStudy(context.rate_hz, "makeup_db") if self.makeup_db == "matched" else None

    def plan(self, context: Context) -> CompressorPlan:
        """Derive coefficients."""
        rate = context.rate_hz * self.oversample
        matched = self.makeup_db == "matched"
        makeup_db = context.known("makeup_db", 0.0) if self.makeup_db == "matched" else self.makeup_db
        makeup = 10 ** (makeup_db / 20)
        dry, wet = (1 - self.mix) * (makeup if matched else 1), self.mix * makeup
        most_db = NO_LIMIT_DB if self.range_db is None else self.range_db
        two = self.on == "mid_side"
        link = self.stereo_link if self.stereo_link is not None else float(not two)
        shaped = two and link < 1
        treatment = (
            Gain(dry + wet, shaped)
            if self.oversample == 1
            else OversampledGain(self.oversample, dry + wet, shaped)
        )
        return CompressorPlan(
            treatment=treatment,
            lookahead_frames=round(self.lookahead_ms * context.rate_hz / 1000),
            side_chain=sections_of(self.side_chain, rate),
            rms_keep=keep_of(self.rms_window_ms, rate),
            ratio=self._ratio(),
            curve=(self.threshold_dbfs, 1 - 1 / self._ratio(), self.knee_db, most_db),
            link=link,
            ballistics=self._ballistics(rate),
            makeup_db=makeup_db,
            dry=dry,
            wet=wet,
        )

    def memory(self, plan: CompressorPlan) -> dict[str, Any]:
        """Oversampling, side-chain filters, mean squares, and all that the ballistics remember."""
        return {
            "up": oversample.start_up(self.oversample, 2),
            "side_chain": plan.side_chain.start(1),
            "mean_square": np.zeros(2),
            **plan.ballistics.start(plan.columns),
        }

    def decide(self, plan: CompressorPlan, memory: dict[str, Any], heard: Heard) -> Audio:
        """Follow the level, look the reduction up, smooth it."""
        sound = self._sound(plan, memory, heard.keys[self.key.name] if self.key else heard.bus)
        if plan.columns == 1 and plan.ballistics.plain and self.topology == "feed_forward":
            remembered = memory["mean_square"], memory["reduction"]
            return dynamics.gain_of_sound(sound, self.detector == "rms", *remembered, *plan.numbers)
        gain = dynamics.gain_of(self._reduction_db(plan, memory, sound), plan.dry, plan.wet)
        return gain[0] if plan.columns == 1 else np.ascontiguousarray(gain.T)

    def explain(self, plan: CompressorPlan, totals: Totals) -> Verdict:
        """Judge by how much of the time it worked and how deep."""
        gain = totals.gain
        did = {**gain.as_dict(), "level_change_db": round(totals.level_change_db, 2)} | self._times()
        told = self._remarks(plan)
        if self.makeup_db == "matched":
            did["makeup_db"] = plan.makeup_db
        if gain.deepest_db < 0.1:
            set_to = f"threshold {self.threshold_dbfs:g} dBFS, ratio {self.ratio}, mix {self.mix:g}"
            return Verdict("left alone", f"Under 0.1 dB of reduction ({set_to}).{told}", did)
        return Verdict(
            "slight" if gain.percentile_db(95) < SLIGHT_DB else "worked",
            f"At work {gain.working_share:.0%} of the time; {gain.told}.{told}",
            did,
        )

    def _ratio(self) -> float:
        return math.inf if self.ratio == "infinity" else self.ratio

    def _ballistics(self, rate_hz: float) -> Ballistics:
        auto = self.release_ms == "auto"
        attack_keep = keep_of(self.attack_ms, rate_hz)
        if self.topology == "feedback":
            attack_keep = keep_inside_loop(attack_keep, self._ratio())
        return Ballistics(
            attack_keep=attack_keep,
            release_keep=keep_of(FAST_FALL_MS if self.release_ms == "auto" else self.release_ms, rate_hz),
            hold_frames=round(self.hold_ms * rate_hz / 1000),
            decoupled=self.ballistics == "decoupled",
            slow_keeps=(keep_of(SLOW_RISE_MS, rate_hz), keep_of(SLOW_FALL_MS, rate_hz)) if auto else None,
        )

    def _sound(self, plan: CompressorPlan, memory: dict[str, Any], sound: Audio) -> Audio:
        """What the detector hears of a sound: `(frames, 2)`, left and right or mid and side."""
        if self.oversample > 1:
            sound = oversample.up(self.oversample, memory["up"], sound)
        sound = heard_through(plan.side_chain, memory["side_chain"], sound)
        if self.on == "mid_side":
            sound = 0.5 * np.stack([sound[:, 0] + sound[:, 1], sound[:, 0] - sound[:, 1]], axis=1)
        return sound

    def _reduction_db(self, plan: CompressorPlan, memory: dict[str, Any], sound: Audio) -> Audio:
        """Reduction in force, step by step, `(columns, frames)`."""
        level_db = dynamics.level_db_of(
            sound, self.detector == "rms", plan.rms_keep, plan.columns == 1, memory["mean_square"]
        )
        if self.topology == "feedback":
            threshold_db, _, knee_db, most_db = plan.curve
            curve = np.array([threshold_db, plan.ratio, knee_db, most_db])
            return plan.ballistics.follow_own_output(memory, level_db, curve, plan.link)
        wanted = dynamics.wanted_reduction(level_db, *plan.curve)
        if 0 < plan.link < 1:
            dynamics.link(wanted, plan.link)
        most_db = plan.curve[3]  # what an automatic release adds up may pass what is wanted for a moment
        return np.minimum(plan.ballistics.follow(memory, wanted), most_db)

    def _times(self) -> dict[str, float]:
        """Times in force where they are not simply those that are set."""
        if self.release_ms == "auto":
            return {}
        if self.ballistics == "decoupled":
            return {"true_release_ms": round(decoupled_release_ms(self.attack_ms, self.release_ms), 2)}
        if self.topology == "feedback":
            return {
                "attack_without_correction_ms": round(self.attack_ms / self._ratio(), 3),
                "effective_attack_ms": self.attack_ms,
                "effective_release_to_rest_ms": self.release_ms,
                "effective_release_above_threshold_ms": round(self.release_ms / self._ratio(), 3),
            }
        return {}

    def _remarks(self, plan: CompressorPlan) -> str:
        """Sentences on make-up that was found and on times that are not simply those that are set."""
        told, times = f" It listens to {self.key.source}." if self.key else "", self._times()
        if self.makeup_db == "matched":
            told += f" Make-up of {plan.makeup_db:+.2f} dB leaves the bus as loud as it came."
        if self.ballistics == "decoupled" and times:
            told += f" Decoupled, it lets go in {times['true_release_ms']:.1f} ms."
        if self.topology == "feedback":
            told += (
                f" Hearing its own output, it takes hold in {self.attack_ms:g} ms and lets go in "
                f"{self.release_ms:g} ms, or {times['effective_release_above_threshold_ms']:.1f} ms "
                "where the level stays over the threshold."
            )
        return told
