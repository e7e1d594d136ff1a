"""An echo."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated, Any, ClassVar, Literal, Self

import numpy as np
from pydantic import Field, model_validator

from busproc.kernels import dynamics, fraction
from busproc.stages import filters
from busproc.stages.ballistics import keep_of
from busproc.stages.base import Audio, Decider, Heard, Key, Plan, Verdict, Word
from busproc.stages.context import Context
from busproc.stages.echoes import Echoes, echoes_heard, tail_s
from busproc.stages.observe import Totals

Note = Literal[
    "1/1 dotted",
    "1/1",
    "1/1 triplet",
    "1/2 dotted",
    "1/2",
    "1/2 triplet",
    "1/4 dotted",
    "1/4",
    "1/4 triplet",
    "1/8 dotted",
    "1/8",
    "1/8 triplet",
    "1/16 dotted",
    "1/16",
    "1/16 triplet",
    "1/32 dotted",
    "1/32",
    "1/32 triplet",
]

DUCK_ATTACK_MS, DUCK_RMS_MS, DUCK_KNEE_DB = 10.0, 10.0, 6.0
"""How echoes are turned down: the pace, the time constant of the level, the bend. Ours, not a standard's."""

SLIGHT_DB = -30.0
"""Echoes that begin further down than this are called slight. Ours, not a standard's."""


def note_ms(note: Note, tempo_bpm: float) -> float:
    """How long a note lasts at a tempo, in quarter notes a minute.

    A dotted one lasts half as long again, of a triplet three last as long as two.

    >>> note_ms("1/4", 120.0), note_ms("1/8 dotted", 120.0), round(note_ms("1/8 triplet", 100.0), 3)
    (500.0, 375.0, 200.0)
    """
    value, _, kind = note.partition(" ")
    stretched = {"": (1, 1), "dotted": (3, 2), "triplet": (2, 3)}[kind]
    return 240000.0 * stretched[0] / (tempo_bpm * int(value[2:]) * stretched[1])


@dataclass(frozen=True, kw_only=True)
class DelayPlan(Plan):
    """How many echoes can be heard, and what the follower that ducks them needs."""

    echoes: int
    rms_keep: float
    release_keep: float
    attack_keep: float


class Delay(Decider):
    """Repeat the bus, again and again if asked, at a time in ms or by note value and tempo.

    Decides: nothing; with `duck_db` a gain of the echoes per frame, from the louder of left and right or
    from a key: 1 dB for each dB over the threshold, up to `duck_db` (RMS over 10 ms, attack 10 ms).
    Treatment: Echoes. Latency: none, for an echo is sound. Neutral: mix 0.
    The filters are Butterworth of 12 dB/octave inside the loop: the first echo passes them once, the next
    twice. They raise nothing, nor does the feedback, so every echo is softer than the one before.
    An echo of any time is in its place to a part of a frame, by a sinc of 128 frames under a Kaiser window:
    within -118 dB of the true sound up to 20 kHz, at 44.1 and 48 kHz (measured).
    Tail: until all echoes still to come, after a full-scale tone that has built up, are under -90 dBFS.
    The time is fixed while a song runs; for an echo of a single word ride the level of a send to a return
    that holds this stage at mix 1.
    Not to be confused with: doubler, whose copies melt into the sound.
    Source: common practice, no source.
    """

    stage: Literal["delay"] = "delay"
    neutral: ClassVar = {"mix": 0.0}

    time_ms: Annotated[float, Field(ge=10, le=4000, strict=True)] = 350.0
    """Time from a sound to its first echo, and from each to the next; a note value takes its place."""
    note: Note | None = None
    """The time as a note value at `tempo_bpm`; null takes `time_ms`."""
    tempo_bpm: Annotated[float, Field(ge=30, le=300, strict=True)] | None = None
    """Quarter notes a minute, for `note`."""
    feedback_db: Annotated[float, Field(ge=-60, le=-1, strict=True)] | None = -9.0
    """Level of each echo against the one before; null makes one echo only."""
    low_cut_hz: Annotated[float, Field(ge=20, le=2000, strict=True)] | None = None
    """What lies under this fades from echo to echo; null cuts nothing."""
    high_cut_hz: Annotated[float, Field(ge=500, le=20000, strict=True)] | None = None
    """What lies over this fades from echo to echo; null cuts nothing."""
    ping_pong: bool = False
    """Whether echoes of left and right together come from the left and from the right in turn."""
    width: Annotated[float, Field(ge=0, le=1, strict=True)] = 1.0
    """Level of the echoes' side: 0 is mono, 1 as wide as they are."""
    duck_db: Annotated[float, Field(ge=0, le=40, strict=True)] = 0.0
    """How far the echoes are turned down at most while there is sound; 0 never."""
    duck_threshold_dbfs: Annotated[float, Field(ge=-80, le=0, strict=True)] = -36.0
    """Level of the bus, or of the key, over which they are turned down."""
    duck_release_ms: Annotated[float, Field(ge=20, le=5000, strict=True)] = 300.0
    """Time to 63.2 % of their way back up in dB."""
    key: Key | None = None
    """A stem, group or return that turns the echoes down in place of the bus."""
    mix: Annotated[float, Field(ge=0, le=1, strict=True)] = 0.25
    """Share of the echoes; the rest is the untouched bus."""

    @model_validator(mode="after")
    def _complete(self) -> Self:
        if (self.note is None) != (self.tempo_bpm is None):
            raise ValueError("note and tempo_bpm go together: give both, or neither and time_ms")
        if self.key is not None and not self.duck_db:
            raise ValueError("key ducks the echoes: give duck_db too, by how much, or no key")
        return self

    @property
    def time_in_force_ms(self) -> float:
        """Time of an echo, by note value where there is one."""
        if self.note is not None and self.tempo_bpm is not None:
            return note_ms(self.note, self.tempo_bpm)
        return self.time_ms

    def plan(self, context: Context) -> DelayPlan:
        """Make filters and matrices, find how long echoes last."""
        rate, feedback = context.rate_hz, self._feedback()
        whole, part = fraction.parted(self.time_in_force_ms * rate / 1000)
        echoes = echoes_heard(self.mix, feedback)
        corners = tuple(corner for corner in (self.low_cut_hz, self.high_cut_hz) if corner is not None)
        lasts_s = tail_s(echoes, self.time_in_force_ms / 1000, corners)
        same, other = self.mix * (1 + self.width) / 2, self.mix * (1 - self.width) / 2
        treatment = Echoes(
            dry=1 - self.mix,
            wet=((same, other), (other, same)),
            into=((0.5, 0.5), (0.0, 0.0)) if self.ping_pong else ((1.0, 0.0), (0.0, 1.0)),
            back=((0.0, feedback), (feedback, 0.0)) if self.ping_pong else ((feedback, 0.0), (0.0, feedback)),
            frames=whole - fraction.LATENCY_FRAMES,
            taps=fraction.taps_of(part),
            filters=self._filters(rate),
            ducks=self.duck_db > 0,
        )
        return DelayPlan(
            treatment=treatment,
            tail_frames=math.ceil(lasts_s * rate) + fraction.TAPS if echoes else 0,
            echoes=echoes,
            rms_keep=keep_of(DUCK_RMS_MS, rate),
            attack_keep=keep_of(DUCK_ATTACK_MS, rate),
            release_keep=keep_of(self.duck_release_ms, rate),
        )

    def _feedback(self) -> float:
        return 0.0 if self.feedback_db is None else 10 ** (self.feedback_db / 20)

    def _filters(self, rate_hz: int) -> Audio:
        low = filters.high_pass(self.low_cut_hz, 12, rate_hz) if self.low_cut_hz is not None else []
        high = filters.low_pass(self.high_cut_hz, 12, rate_hz) if self.high_cut_hz is not None else []
        return filters.sections(low + high)

    def memory(self, plan: DelayPlan) -> dict[str, Audio]:  # noqa: ARG002
        """Mean squares and reduction."""
        return {"mean_square": np.zeros(2), "reduction": np.zeros(1)}

    def decide(self, plan: DelayPlan, memory: dict[str, Audio], heard: Heard) -> Audio | None:
        """Follow the level of the bus or of the key, where echoes are ducked."""
        if not self.duck_db:
            return None
        return dynamics.gain_of_sound(
            np.ascontiguousarray(heard.keys[self.key.name] if self.key else heard.bus),
            True,
            memory["mean_square"],
            memory["reduction"],
            *(plan.rms_keep, self.duck_threshold_dbfs, 1.0, DUCK_KNEE_DB, self.duck_db),
            *(plan.attack_keep, plan.release_keep, 0.0, 1.0),
        )

    def explain(self, plan: DelayPlan, totals: Totals) -> Verdict:
        """Tell time, number and ducking of the echoes."""
        did: dict[str, Any] = {
            "time_ms": round(self.time_in_force_ms, 3),
            "echoes": plan.echoes,
            "tail_s": round(plan.tail_frames / totals.rate_hz, 2),
            "level_change_db": round(totals.level_change_db, 2),
        }
        if not self.mix:
            return Verdict("left alone", "Mix 0: the bus passes as it came.", did)
        if self.duck_db:
            did["ducking"] = totals.gain.as_dict()
        word: Word = "worked" if self.mix > 10 ** (SLIGHT_DB / 20) else "slight"
        return Verdict(word, f"{self._told(plan)}{self._ducked(totals)}.", did)

    def _told(self, plan: DelayPlan) -> str:
        by = f" ({self.note} at {self.tempo_bpm:g} BPM)" if self.note else ""
        if self.feedback_db is None:
            return f"One echo after {self.time_in_force_ms:.4g} ms{by}, mix {self.mix:g}"
        falls = f"each {-self.feedback_db:g} dB under the one before, {plan.echoes} over -90 dBFS"
        return f"An echo every {self.time_in_force_ms:.4g} ms{by}, {falls}, mix {self.mix:g}"

    def _ducked(self, totals: Totals) -> str:
        if not self.duck_db:
            return ""
        by, gain = f" by {self.key.source}" if self.key else "", totals.gain
        return f"; ducked{by} {gain.working_share:.0%} of the time, by {gain.deepest_db:.1f} dB at most"
