"""Stereo width by mid and side."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated, Any, ClassVar, Literal

import numpy as np
from pydantic import Field

from busproc.kernels import narrow
from busproc.stages import filters
from busproc.stages.base import Audio, Decider, Heard, Plan, Verdict, Word
from busproc.stages.context import Context
from busproc.stages.observe import Totals
from busproc.stages.treatments import Matrix, Sections, Treatment

CORRELATION_MS = 70.0
"""Time constant of the running correlation."""
EASE_MS = 10.0
"""Time constant with which side follows."""
SLIGHT_DB = 0.3
"""A change of side against mid, or of balance, under this is called slight. Ours, not a standard's."""


@dataclass(frozen=True)
class MidSide(Treatment):
    """Shape mid and side, turn side down by the decision `(frames,)` where there is one, balance the sides.

    Side is turned down by adding the difference, so that a gain of 1 changes no bit.
    """

    shape: Matrix | Sections
    balance: Matrix | None
    narrows: bool
    shapes_spectrum: ClassVar[bool] = True

    @property
    def is_gain(self) -> bool:  # type: ignore[override]
        """Whether the decision is a gain curve to be counted."""
        return self.narrows

    def start(self, lanes: int) -> Any:
        """Filter memories."""
        return self.shape.start(lanes)

    def apply(self, state: Any, decision: Audio | None, lanes: Audio) -> Audio:
        """Shape, narrow, balance."""
        out = self.shape.apply(state, None, lanes)
        if decision is not None:
            change = 0.5 * (out[..., 0] - out[..., 1]) * (decision - 1.0)[:, None]
            out = np.stack([out[..., 0] + change, out[..., 1] - change], axis=-1)
        return self.balance.apply(None, None, out) if self.balance else out


@dataclass(frozen=True, kw_only=True)
class WidthPlan(Plan):
    """The treatment, known for what it is, and the pace of the correlation floor."""

    treatment: MidSide
    mean_keep: float
    ease_keep: float


class Width(Decider):
    """Make the bus wider or narrower, mono below a frequency, and safe to fold to mono.

    Decides: nothing; with `correlation_floor` a gain of side per frame, under 1 only while left and right
    would otherwise correlate less than that (means over 70 ms, side follows with 10 ms).
    Treatment: MidSide. Latency: none. Neutral: width 1, all gains 0 dB, no mono, no floor.
    Side is scaled by `width` and `side_db`; below `mono_below_hz` it is removed by a 24 dB/octave
    Linkwitz-Riley high-pass, and mid goes through the all-pass of the same phase, so both stay in step.
    The log tells what folding to mono costs: the level of (L + R) / 2 against that of both sides.
    Not to be confused with: pan, which places a source.
    Source: Linkwitz, 'Active Crossover Networks for Noncoincident Drivers', JAES 24(1), 1976
    (low plus high is an all-pass in phase with each); the rest is common practice, no source.
    """

    stage: Literal["width"] = "width"
    neutral: ClassVar = {
        "width": 1.0,
        "mono_below_hz": None,
        "mid_db": 0.0,
        "side_db": 0.0,
        "balance_db": 0.0,
        "correlation_floor": None,
    }
    logs_mono_loss: ClassVar[bool] = True

    width: Annotated[float, Field(ge=0, le=2, strict=True)] = 1.0
    """Level of side: 0 is mono, 1 as it came, 2 twice as much."""
    mono_below_hz: Annotated[float, Field(ge=20, le=1000, strict=True)] | None = None
    """Side is removed below this; null leaves the lows as wide as the rest."""
    mid_db: Annotated[float, Field(ge=-12, le=12, strict=True)] = 0.0
    """Gain of mid."""
    side_db: Annotated[float, Field(ge=-12, le=12, strict=True)] = 0.0
    """Gain of side, on top of the width."""
    balance_db: Annotated[float, Field(ge=-12, le=12, strict=True)] = 0.0
    """How much louder right becomes than left; the quieter one is turned down."""
    correlation_floor: Annotated[float, Field(ge=-1, le=0.95, strict=True)] | None = None
    """Side is turned down while left and right would correlate less than this; null never does."""

    def plan(self, context: Context) -> WidthPlan:
        """Make the matrix, or the filters of mid and side."""
        rate = context.rate_hz
        balance = None
        if self.balance_db:
            left, right = (10 ** (min(0.0, sign * self.balance_db) / 20) for sign in (-1, 1))
            balance = Matrix(((left, 0.0), (0.0, right)))
        treatment = MidSide(self._shape(rate), balance, self.correlation_floor is not None)
        return WidthPlan(
            treatment=treatment,
            mean_keep=math.exp(-1000 / (CORRELATION_MS * rate)),
            ease_keep=math.exp(-1000 / (EASE_MS * rate)),
        )

    def _shape(self, rate_hz: int) -> Matrix | Sections:
        mid, side = 10 ** (self.mid_db / 20), self.width * 10 ** (self.side_db / 20)
        if self.mono_below_hz is None:
            same, other = (mid + side) / 2, (mid - side) / 2
            return Matrix(((same, other), (other, same)))
        (high,) = filters.high_pass(self.mono_below_hz, 12, rate_hz)
        turned = filters.all_pass(self.mono_below_hz, 0.5**0.5, rate_hz)
        return Sections(
            mid=filters.sections([filters.scaled(turned, mid)]),
            side=filters.sections([high, filters.scaled(high, side)]),
        )

    def memory(self, plan: WidthPlan) -> dict[str, Any]:
        """What the shape remembers of the bus, running means, the gain of side."""
        return {"shape": plan.treatment.shape.start(1), "running": np.array([0.0, 0.0, 0.0, 1.0])}

    def decide(self, plan: WidthPlan, memory: dict[str, Any], heard: Heard) -> Audio | None:
        """Follow the correlation that the bus would have, where there is a floor."""
        if self.correlation_floor is None:
            return None
        shaped = plan.treatment.shape.apply(memory["shape"], None, heard.bus[:, None])
        return narrow.side_gain(
            np.ascontiguousarray(shaped[:, 0]),
            self.correlation_floor,
            plan.mean_keep,
            plan.ease_keep,
            memory["running"],
        )

    def explain(self, plan: WidthPlan, totals: Totals) -> Verdict:  # noqa: ARG002
        """Tell side against mid, before and after, and what folding to mono costs."""
        before, after = totals.before.side_to_mid_db, totals.after.side_to_mid_db
        loss = totals.mono_loss_db()
        did: dict[str, Any] = {
            "side_to_mid_before_db": before if before is None else round(before, 2),
            "side_to_mid_after_db": after if after is None else round(after, 2),
            "mono_loss_db": loss,
        }
        if self.correlation_floor is not None:
            did["narrowing"] = totals.gain.as_dict()
        settings = self._settings_that_work()
        if not settings:
            return Verdict("left alone", f"Width 1: the bus passes as it came{_folded(loss)}.", did)
        what = "; ".join([", ".join(settings), *self._narrowed(totals)])
        if before is None:
            return Verdict(*self._one_of_them(what, totals), did)
        if after is None:
            return Verdict("worked", f"{what}: side was at {before:+.1f} dB against mid and is gone.", did)
        change = max(abs(after - before), abs(self.balance_db), abs(totals.level_change_db))
        return Verdict(
            "worked" if change >= SLIGHT_DB else "slight",
            f"{what}: side against mid went from {before:+.1f} to {after:+.1f} dB{_folded(loss)}.",
            did,
        )

    def _one_of_them(self, what: str, totals: Totals) -> tuple[Word, str]:
        """Verdict on a bus that is all mid, all side, or silent."""
        if totals.before.rms_dbfs is not None and totals.after.rms_dbfs is None:
            return "worked", f"{what}: the bus was all side, and 0 % of it is left."
        change_db = totals.level_change_db
        slight: Word = "slight" if self.mono_below_hz is not None else "left alone"
        word: Word = "worked" if abs(change_db) >= SLIGHT_DB else slight
        return word, f"{what}: the bus has no side or no mid, {change_db:+.2f} dB changed."

    def _settings_that_work(self) -> list[str]:
        gains = {"mid": self.mid_db, "side": self.side_db, "right against left": self.balance_db}
        told = [f"{name} {gain_db:+g} dB" for name, gain_db in gains.items() if gain_db]
        if self.mono_below_hz is not None:
            told.insert(0, f"mono below {self.mono_below_hz:g} Hz")
        if self.correlation_floor is not None:
            told.append(f"correlation kept over {self.correlation_floor:g}")
        return [f"Width {self.width:g}", *told] if told or self.width != 1 else []

    def _narrowed(self, totals: Totals) -> list[str]:
        if self.correlation_floor is None:
            return []
        gain = totals.gain
        if not gain.events:
            return ["narrowed at no time, 0 dB"]
        return [f"narrowed {gain.working_share:.0%} of the time, by {gain.deepest_db:.1f} dB at most"]


def _folded(loss_db: dict[str, float]) -> str:
    """What folding to mono costs, in words; nothing where nothing sounded."""
    if not loss_db:
        return ""
    worst = min(loss_db, key=lambda name: loss_db[name])
    return f"; folded to mono it loses most at {worst} Hz, {-loss_db[worst]:.1f} dB"
