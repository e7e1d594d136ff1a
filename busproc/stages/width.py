"""Stereo width by mid and side."""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field

from busproc.stages import filters
from busproc.stages.base import Audio, Context, Decider, Heard, Plan, Verdict, Word
from busproc.stages.observe import Totals
from busproc.stages.treatments import Matrix, Sections


class Width(Decider):
    """Make the bus wider or narrower, and mono below a frequency.

    Decides: nothing. Treatment: Matrix; Sections where the lows become mono. Latency: none.
    Neutral: width 1. Side is scaled by `width`; below `mono_below_hz` it is removed by a 24 dB/octave
    Linkwitz-Riley high-pass, and mid goes through the all-pass of the same phase, so both stay in step.
    Not to be confused with: a balance, which moves the middle.
    Source: Linkwitz, 'Active Crossover Networks for Noncoincident Drivers', JAES 24(1), 1976
    (low plus high is an all-pass in phase with each).
    """

    stage: Literal["width"] = "width"
    neutral: ClassVar = {"width": 1.0, "mono_below_hz": None}

    width: Annotated[float, Field(ge=0, le=2, strict=True)] = 1.0
    """Level of side: 0 is mono, 1 as it came, 2 twice as much."""
    mono_below_hz: Annotated[float, Field(ge=20, le=1000, strict=True)] | None = None
    """Side is removed below this; null leaves the lows as wide as the rest."""

    def plan(self, context: Context) -> Plan:
        """Make the matrix, or the filters of mid and side."""
        if self.mono_below_hz is None:
            same, other = (1 + self.width) / 2, (1 - self.width) / 2
            return Plan(treatment=Matrix(((same, other), (other, same))))
        rate = context.rate_hz
        (high,) = filters.high_pass(self.mono_below_hz, 12, rate)
        return Plan(
            treatment=Sections(
                mid=filters.sections([filters.all_pass(self.mono_below_hz, 0.5**0.5, rate)]),
                side=filters.sections([high, filters.scaled(high, self.width)]),
            )
        )

    def decide(self, plan: Plan, memory: dict[str, Audio], heard: Heard) -> None:
        """Nothing depends on the sound."""

    def explain(self, plan: Plan, totals: Totals) -> Verdict:  # noqa: ARG002
        """Tell side against mid, before and after."""
        before, after = totals.before.side_to_mid_db, totals.after.side_to_mid_db
        did: dict[str, Any] = {
            "side_to_mid_before_db": before if before is None else round(before, 2),
            "side_to_mid_after_db": after if after is None else round(after, 2),
        }
        if self.width == 1 and self.mono_below_hz is None:
            return Verdict("left alone", "Width 1: the bus passes as it came.", did)
        what = f"Width {self.width:g}"
        if self.mono_below_hz is not None:
            what += f", mono below {self.mono_below_hz:g} Hz"
        if before is None:
            return Verdict("left alone", f"{what}: the bus has no side or no mid, 0 dB changed.", did)
        if after is None:
            return Verdict("worked", f"{what}: side was at {before:+.1f} dB against mid and is gone.", did)
        word: Word = "worked" if abs(after - before) >= 0.3 else "slight"
        return Verdict(word, f"{what}: side against mid went from {before:+.1f} to {after:+.1f} dB.", did)
