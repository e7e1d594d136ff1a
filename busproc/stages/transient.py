"""Attack and body, each raised or lowered."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from busproc.kernels import dynamics, gating, limit
from busproc.kernels import lanes as in_all_lanes
from busproc.stages.ballistics import keep_of
from busproc.stages.base import Audio, Decider, Heard, Key, Plan, Verdict, Word
from busproc.stages.context import Context
from busproc.stages.highest import Highest
from busproc.stages.limiting import easing_lengths
from busproc.stages.observe import GainTally, Totals
from busproc.stages.treatments import Treatment

WAVE_MS = 12.0
"""The fast level is the highest within this: half a period of 42 Hz, so it does not follow single waves."""

EASED_MS = 2.0
"""Time in which a gain comes and goes, before the sound that it is for: the look-ahead."""

APART_DB, WHOLE_DB = 2.0, 6.0
"""How far apart the two levels are where attack or body begins, and where it has all of its gain."""

FLOOR = 10 ** (-90 / 20)
"""What is quieter is no sound: no attack and no body."""

SLIGHT_DB = 1.0
"""A change that never reaches this is called slight. Ours, not a standard's, as the others are."""


@dataclass(frozen=True)
class PartGains(Treatment):
    """Multiply each frame by the gains of attack and body, `(frames, 2)`."""

    band_gains = 2

    def start(self, lanes: int) -> None:
        """Nothing to remember."""

    def apply(self, state: None, decision: Audio, lanes: Audio) -> Audio:  # noqa: ARG002
        """Multiply."""
        return in_all_lanes.multiply(lanes, decision[:, 0] * decision[:, 1])


@dataclass(frozen=True, kw_only=True)
class TransientPlan(Plan):
    """What the two levels and the easing need."""

    fast: Highest
    attack_keep: float
    body_keep: float
    lengths: NDArray[np.int64]


class Transient(Decider):
    """Raise or lower how a sound begins, and how it goes on.

    Decides: a gain for the attack and one for the body (frames, 2), from the louder of left and right, or
    from a key. Treatment: PartGains. Latency: 2 ms, in which a gain eases in before its sound comes.
    Tail: none. Neutral: 0 dB for both.
    A fast level (the highest peak within 12 ms) is compared with two slow ones. Attack is where it is above
    the one that follows it in `attack_ms`, by 2 dB for a beginning and 6 dB for all of the gain; body where
    it is as far under the one that rises as fast, but falls in `body_ms`, and starts anew with each attack.
    Only distances count, so soft and loud strokes change alike; a steady tone is neither and passes as it
    came. Where there is attack there is the less body, so no gain goes further than what is set.
    Where a tone begins and stays, the attack has all of its gain for 0.7 `attack_ms`, half of it at 1.0.
    What is under -90 dBFS counts as silence.
    Not to be confused with: the compressor, which goes by how loud a sound is.
    Source: common practice, no source.
    """

    stage: Literal["transient"] = "transient"
    neutral: ClassVar = {"attack_db": 0.0, "body_db": 0.0}

    attack_db: Annotated[float, Field(ge=-15, le=15, strict=True)] = 3.0
    """How much louder attacks become."""
    body_db: Annotated[float, Field(ge=-15, le=15, strict=True)] = 0.0
    """How much louder what follows an attack becomes."""
    attack_ms: Annotated[float, Field(ge=5, le=50, strict=True)] = 20.0
    """How long an attack lasts: the time in which a slow level comes after the fast one."""
    body_ms: Annotated[float, Field(ge=50, le=2000, strict=True)] = 500.0
    """Time in which a slow level falls: the longer, the sooner a sound that fades is all body."""
    key: Key | None = None
    """A stem, group or return whose attacks and bodies are meant, in place of the bus's."""

    def plan(self, context: Context) -> TransientPlan:
        """Derive coefficients."""
        rate = context.rate_hz
        ahead = round(EASED_MS * rate / 1000)
        return TransientPlan(
            treatment=PartGains(),
            lookahead_frames=ahead,
            fast=Highest(round(WAVE_MS * rate / 1000)),
            attack_keep=keep_of(self.attack_ms, rate),
            body_keep=keep_of(self.body_ms, rate),
            lengths=easing_lengths(ahead),
        )

    def memory(self, plan: TransientPlan) -> dict[str, Any]:
        """The three levels, and the easing of both gains."""
        return {
            "fast": plan.fast.start(),
            "before": np.full(1, FLOOR),
            "body": np.full(1, FLOOR),
            "eased": [
                (
                    np.zeros((3, plan.lengths.max()), dtype=np.int64),
                    np.zeros(3, dtype=np.int64),
                    np.zeros(3, dtype=np.int64),
                )
                for _ in range(2)
            ],
        }

    def decide(self, plan: TransientPlan, memory: dict[str, Any], heard: Heard) -> Audio:
        """Find the shares of attack and body; ease their gains in."""
        sound = np.ascontiguousarray(heard.keys[self.key.name] if self.key else heard.bus)
        peak = dynamics.louder(dynamics.peak_of_each(sound))[0]
        fast = np.maximum(plan.fast.of(peak, memory["fast"]), FLOOR)
        before = dynamics.follow(fast[None], plan.attack_keep, plan.attack_keep, memory["before"])[0]
        attack = _share(fast / before)
        held = gating.follow_body(fast, attack, plan.attack_keep, plan.body_keep, memory["body"])
        body = (1 - attack) * _share(held / fast)
        gains = [
            dynamics.gain_of(-gain_db * limit.ease(share, plan.lengths, *eased), 0.0, 1.0)
            for share, gain_db, eased in zip(
                (attack, body), (self.attack_db, self.body_db), memory["eased"], strict=True
            )
        ]
        return np.stack(gains, axis=1)

    def explain(self, plan: TransientPlan, totals: Totals) -> Verdict:  # noqa: ARG002
        """Tell how often attack and body were changed, for how much of the time, and by how much."""
        parts = {
            name: (gain_db, tally)
            for name, gain_db, tally in zip(
                ("attack", "body"), (self.attack_db, self.body_db), totals.band_gains, strict=True
            )
            if gain_db
        }
        did: dict[str, Any] = {name: _figures(*part) for name, part in parts.items()}
        did["level_change_db"] = round(totals.level_change_db, 2)
        most_db = max((tally.deepest_db for _, tally in parts.values()), default=0.0)
        keyed = f" It listens to {self.key.source}." if self.key else ""
        if most_db < 0.1:
            set_to = f"attack {self.attack_db:+g} dB, body {self.body_db:+g} dB"
            return Verdict("left alone", f"Under 0.1 dB of change ({set_to}).{keyed}", did)
        word: Word = "slight" if most_db < SLIGHT_DB else "worked"
        told = "; ".join(_told(name, *part) for name, part in parts.items())
        return Verdict(word, f"{told[0].upper()}{told[1:]}.{keyed}", did)


def _share(distance: Audio) -> Audio:
    """Share of attack or body by how many times as high one level is as the other."""
    return gating.share_above(dynamics.decibels(distance, dynamics.OCTAVE_DB, 0.0), APART_DB, WHOLE_DB)


def _figures(gain_db: float, tally: GainTally) -> dict[str, Any]:
    """The tally's figures, with the sign of the change in place of reductions."""
    sign = 1.0 if gain_db > 0 else -1.0
    return {
        "working_percent": round(100 * tally.working_share, 1),
        "events": tally.events,
        "furthest_db": round(sign * tally.deepest_db, 2),
        "furthest_at_s": round(tally.deepest_at_s, 2),
        "change_db_10_per_s": [sign * depth_db for depth_db in tally.curve_db],
    }


def _told(name: str, gain_db: float, tally: GainTally) -> str:
    if tally.deepest_db < 0.1:
        return f"no {name} found for {gain_db:+g} dB"
    verb, times = "raised" if gain_db > 0 else "lowered", f"{tally.events} time{'s' * (tally.events != 1)}"
    return (
        f"{name} {verb} {times}, {tally.working_share:.0%} of the time, by {tally.deepest_db:.1f} dB at most "
        f"({tally.deepest_at_s:.1f} s)"
    )
