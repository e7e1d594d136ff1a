"""An algorithmic room."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import Field

from busproc.stages import filters
from busproc.stages.absorption import Decay
from busproc.stages.base import Audio, Decider, Heard, Plan, Verdict
from busproc.stages.context import Context
from busproc.stages.observe import Totals
from busproc.stages.reverberation import LONGEST, Room, network
from busproc.stages.treatments import Sections

END_DB = 90.0
"""The tail is followed so far down from full scale."""
CUT_DB_PER_OCTAVE = 12
TOP_OF_BAND = 0.45
"""The high decay time holds at this share of the rate where its frequency would lie above."""

DecayTime = Annotated[float, Field(ge=0.2, le=20, strict=True)]


class Reverb(Decider):
    """Put the bus into a room: early reflections, then a tail that dies away as fast as asked.

    Decides: nothing. Treatment: Room. Latency: none. Neutral: mix 0.
    A feedback delay network: sixteen lines whose lengths are prime numbers, mixed by Hadamard's matrix,
    which keeps all energy, so that only the two shelves in each line decide how sound dies away. Decay
    times are to -60 dB, as ISO 3382-1 measures them in octaves: `decay_low_s` at `low_hz`, `decay_high_s` at
    `high_hz`, `decay_s` half way between them (at 1 kHz by default), within 5 % where neighbours differ by a
    factor of up to three. Echo density (Abel and Huang, AES 121, 2006) reaches 1
    within 5 times `size_ms` and 20 ms at density 0.8 or more. Where the middle decay time holds, noise leaves
    the room as loud as it came, however long that time is. On a return of its own set mix 1.
    The tail is followed to 90 dB under full scale. All lanes are moved by the same modulation. It costs
    about thirty times what six sections of an eq do.
    Not to be confused with: convolve, which takes the sound of a place from a recording; a delay, whose
    echoes are heard one by one.
    Source: J. Stautner and M. Puckette, 'Designing Multi-Channel Reverberators', Computer Music Journal
    6(1), 1982; J.-M. Jot and A. Chaigne, AES 90, 1991 (absorption); M. R. Schroeder, JAES 10(3), 1962
    (all-passes); S. J. Schlecht and E. A. P. Habets, 'Time-Varying Feedback Matrices in Feedback Delay
    Networks', JASA 138(3), 2015 (modulation); all from memory.
    """

    stage: Literal["reverb"] = "reverb"
    neutral: ClassVar = {"mix": 0.0}

    decay_s: DecayTime = 1.6
    """Time to fall by 60 dB in the middle."""
    decay_low_s: DecayTime = 1.8
    """Time to fall by 60 dB at `low_hz` and below."""
    decay_high_s: DecayTime = 0.9
    """Time to fall by 60 dB at `high_hz` and above."""
    low_hz: Annotated[float, Field(ge=60, le=200, strict=True)] = 125.0
    """Where the low decay time holds."""
    high_hz: Annotated[float, Field(ge=5000, le=12000, strict=True)] = 8000.0
    """Where the high decay time holds."""
    pre_delay_ms: Annotated[float, Field(ge=0, le=500, strict=True)] = 10.0
    """How long the room waits before it answers."""
    size_ms: Annotated[float, Field(ge=5, le=80, strict=True)] = 25.0
    """Mean time of sound from wall to wall: 8 a small room, 25 a large one, 50 a hall."""
    density: Annotated[float, Field(ge=0, le=1, strict=True)] = 0.8
    """How much the sound is smeared before it enters the tail; less lets single echoes be heard."""
    early_db: Annotated[float, Field(ge=-40, le=20, strict=True)] = -3.0
    """Level of the early reflections against the tail."""
    modulation_hz: Annotated[float, Field(ge=0, le=4, strict=True)] = 1.0
    """How fast the paths of the tail turn into each other; 0 keeps them still, and single tones stand out."""
    seed: Annotated[int, Field(ge=0, le=4294967295, strict=True)] = 1
    """Another seed is another room of the same kind: lengths, reflections and modulation."""
    low_cut_hz: Annotated[float, Field(ge=20, le=1000, strict=True)] | None = None
    """What is below does not enter the room, 12 dB/octave; null lets all in."""
    high_cut_hz: Annotated[float, Field(ge=1000, le=20000, strict=True)] | None = None
    """What is above does not enter the room, 12 dB/octave; null lets all in."""
    width: Annotated[float, Field(ge=0, le=1, strict=True)] = 1.0
    """How different left and right of the room are: 0 is mono."""
    mix: Annotated[float, Field(ge=0, le=1, strict=True)] = 0.25
    """Share of the room: 0 is the bus as it came, 1 the room alone, as on a return."""

    def plan(self, context: Context) -> Plan:
        """Design the room."""
        rate, decay = context.rate_hz, self._decay(context.rate_hz)
        room = Room(
            network=network(
                decay, self.size_ms, self.density, self.early_db, self.modulation_hz, self.seed, rate
            ),
            cut=self._cut(rate),
            pre_delay_frames=round(self.pre_delay_ms / 1000 * rate),
            width=self.width,
            mix=self.mix,
        )
        return Plan(treatment=room, tail_frames=round(self._tail_s(rate) * rate))

    def _decay(self, rate_hz: int) -> Decay:
        high_hz = min(self.high_hz, TOP_OF_BAND * rate_hz)
        return Decay(self.decay_low_s, self.decay_s, self.decay_high_s, self.low_hz, high_hz)

    def _cut(self, rate_hz: int) -> Sections:
        rows = []
        if self.low_cut_hz is not None:
            rows += filters.high_pass(self.low_cut_hz, CUT_DB_PER_OCTAVE, rate_hz)
        if self.high_cut_hz is not None:
            rows += filters.low_pass(self.high_cut_hz, CUT_DB_PER_OCTAVE, rate_hz)
        return Sections(filters.sections(rows))

    def _tail_s(self, rate_hz: int) -> float:
        if not self.mix:
            return 0.0
        slowest_s = self._decay(rate_hz).slowest_s(round(self.size_ms / 1000 * rate_hz), rate_hz)
        return END_DB / 60 * slowest_s + (self.pre_delay_ms + LONGEST * self.size_ms) / 1000

    def decide(self, plan: Plan, memory: dict[str, Audio], heard: Heard) -> None:
        """Nothing depends on the sound."""

    def explain(self, plan: Plan, totals: Totals) -> Verdict:
        """Tell the room, and what it did to the level."""
        did = {
            "level_change_db": round(totals.level_change_db, 2),
            "tail_s": round(plan.tail_frames / totals.rate_hz, 3),
        }
        if not self.mix:
            return Verdict("left alone", "Mix 0: the bus passes as it came.", did)
        if totals.before.rms_dbfs is None:
            return Verdict("left alone", "Nothing sounded, 0 dB changed.", did)
        return Verdict(
            "worked",
            f"A room that dies away in {self.decay_s:g} s ({self.decay_low_s:g} s at {self.low_hz:g} Hz, "
            f"{self.decay_high_s:g} s at {self.high_hz:g} Hz), {self.mix:.0%} of it: "
            f"{totals.level_change_db:+.2f} dB.",
            did,
        )
