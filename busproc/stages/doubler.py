"""A sound made several."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, ClassVar, Literal

import numpy as np
from pydantic import Field

from busproc.stages.base import Audio, Decider, Heard, Plan, Verdict, Word
from busproc.stages.context import Context
from busproc.stages.copies import Copies
from busproc.stages.observe import Totals

LATER = (1.0, 1.13, 1.45, 1.31)
"""How late each copy is on average, against the first: left, right, left, right. Ours, not a standard's."""

SWING_S = (0.8, 0.94, 0.7, 0.86)
"""Time in which each copy goes from early to late or back: they meet nowhere twice alike. Ours as well."""

SWINGS = 512
"""Swings until a copy's path repeats, after some six minutes."""

STEEPEST = 1.5
"""Steepest slope of a swing against the mean."""

SLIGHT_DB = -30.0
"""Copies further under the bus than this are called slight. Ours, not a standard's."""


@dataclass(frozen=True, kw_only=True)
class DoublerPlan(Plan):
    """The treatment, known for what it is."""

    treatment: Copies


class Doubler(Decider):
    """Make one source sound like several by copies of mid, late and out of tune by a little, left and right.

    Decides: nothing. Treatment: Copies. Latency: none. Tail: the latest copy. Neutral: mix 0.
    Each copy's delay swings to and fro between seeded places, so that its pitch wanders up and down: the
    furthest point of each swing is out of tune by half of `detune_cents` to all of it. The path depends on
    the seed and on song time alone: the same in every lane, part of a song or block.
    The log tells what folding to mono costs. A steady tone from one source in the middle loses under 3 dB,
    wherever the copies are, while those of one side together stay 3 dB under the bus, that is up to mix
    0.41; at mix 0.35 it is 1.5 dB at most. (Let l and r be the copies of each side against the bus, their
    gain at most a. Of the power of both sides, side is |l - r|^2 / 4 and mid |1 + (l + r) / 2|^2. Side is
    greatest against mid, a^2 / (1 - a^2), at l + r = -2 a^2: 10 log10(1 / (1 - a^2)) dB are lost.)
    The sound between frames: 32 frames of a sinc, see `kernels/moving_taps.py`.
    Not to be confused with: width, which only raises the side that is there; delay, whose echoes stand apart.
    Source: common practice, no source.
    """

    stage: Literal["doubler"] = "doubler"
    neutral: ClassVar = {"mix": 0.0}
    logs_mono_loss: ClassVar[bool] = True

    copies: Literal[2, 4] = 2
    """How many there are, half of them left and half right; four are each half as loud as two."""
    delay_ms: Annotated[float, Field(ge=8, le=60, strict=True)] = 20.0
    """How late the first copy is on average; the last of two is 1.13 times as late, of four 1.45 times."""
    detune_cents: Annotated[float, Field(ge=0, le=25, strict=True)] = 8.0
    """How far a copy's pitch wanders up and down at most."""
    width: Annotated[float, Field(ge=0, le=1, strict=True)] = 1.0
    """How far apart the copies are: 0 all in the middle, 1 hard left and right."""
    seed: Annotated[int, Field(ge=0, le=4294967295, strict=True)] = 1
    """Another number makes them wander another way."""
    mix: Annotated[float, Field(ge=0, le=1, strict=True)] = 0.35
    """Share of the copies; the rest is the untouched bus."""

    def plan(self, context: Context) -> DoublerPlan:
        """Lay out the path of each copy."""
        near, far = self.mix * (1 + self.width) / self.copies, self.mix * (1 - self.width) / self.copies
        treatment = Copies(
            dry=1 - self.mix,
            gains=_frozen([[near, far], [far, near]] * (self.copies // 2)),
            aims=_frozen(self._aims_ms() * (context.rate_hz / 1000)),
            steps=_frozen([swing_s * context.rate_hz for swing_s in SWING_S[: self.copies]]),
            first_frame=-context.arrival_frames,
        )
        return DoublerPlan(treatment=treatment, tail_frames=treatment.reach_frames if self.mix else 0)

    def _aims_ms(self) -> Audio:
        """Where each copy goes in turn, `(copies, swings)`: early, late, early, each time another way off."""
        drawn = np.random.Generator(np.random.PCG64(self.seed)).random((len(LATER), SWINGS))
        slope = 1 - 2 ** (-self.detune_cents / 1200)
        aims = []
        for copy in range(self.copies):
            reach_ms = slope * 1000 * SWING_S[copy] / (2 * STEEPEST)
            sides = np.resize([1.0, -1.0] if copy % 2 else [-1.0, 1.0], SWINGS)
            aims.append(self.delay_ms * LATER[copy] + reach_ms * sides * (0.5 + 0.5 * drawn[copy]))
        return np.array(aims)

    def decide(self, plan: DoublerPlan, memory: dict[str, Audio], heard: Heard) -> None:
        """Nothing depends on the sound."""

    def explain(self, plan: DoublerPlan, totals: Totals) -> Verdict:  # noqa: ARG002
        """Tell what was set, and what folding to mono costs."""
        loss = totals.mono_loss_db()
        did: dict[str, Any] = {
            "mono_loss_db": loss,
            "level_change_db": round(totals.level_change_db, 2),
        }
        if not self.mix:
            return Verdict("left alone", "Mix 0: the bus passes as it came.", did)
        off = f"up to {self.detune_cents:g} cents off"
        told = f"{self.copies} copies {self.delay_ms:g} ms late and more, {off}, mix {self.mix:g}"
        if loss:
            worst = min(loss, key=lambda name: loss[name])
            told += f"; folded to mono it loses most at {worst} Hz, {-loss[worst]:.1f} dB"
        word: Word = "worked" if self.mix > 10 ** (SLIGHT_DB / 20) else "slight"
        return Verdict(word, f"{told}.", did)


def _frozen(values: Any) -> Audio:
    made = np.array(values, dtype=np.float64)
    made.setflags(write=False)
    return made
