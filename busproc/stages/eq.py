"""A filter EQ: bells, shelves and passes, on left and right, on mid or on side."""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field

from busproc.settings import Settings
from busproc.stages import filters
from busproc.stages.base import Audio, Context, Decider, Heard, Plan, Verdict, Word
from busproc.stages.filters import Section
from busproc.stages.observe import Totals
from busproc.stages.treatments import Sections

On = Literal["left_right", "mid", "side"]
Freq = Annotated[float, Field(ge=10, le=40000, strict=True)]


class Shaped(Settings):
    """A band that raises or lowers a region."""

    shape: Literal["bell", "low_shelf", "high_shelf"]
    """Bell, or a shelf below or above the frequency."""
    freq_hz: Freq
    """Centre of a bell; where a shelf has half its gain."""
    gain_db: Annotated[float, Field(ge=-24, le=24, strict=True)]
    """How much louder the region becomes."""
    q: Annotated[float, Field(ge=0.1, le=20, strict=True)] = 0.7071
    """Narrowness; a shelf overshoots above 0.7071."""
    on: On = "left_right"
    """What is filtered."""

    def sections(self, rate_hz: float) -> list[Section]:
        """Second-order sections of this band; none where it does nothing."""
        design = {"bell": filters.bell, "low_shelf": filters.low_shelf, "high_shelf": filters.high_shelf}
        return [design[self.shape](self.freq_hz, self.gain_db, self.q, rate_hz)] if self.gain_db else []

    def in_words(self) -> str:
        """Short name for the log."""
        return f"{self.gain_db:+g} dB {self.shape.replace('_', ' ')} at {self.freq_hz:g} Hz"


class Pass(Settings):
    """A band that removes what lies below or above."""

    shape: Literal["high_pass", "low_pass"]
    """Which side passes."""
    freq_hz: Freq
    """Where it is 3 dB down."""
    slope_db_per_octave: Literal[6, 12, 18, 24, 30, 36, 42, 48] = 12
    """How steeply it falls (Butterworth)."""
    on: On = "left_right"
    """What is filtered."""

    def sections(self, rate_hz: float) -> list[Section]:
        """Second-order sections of this band."""
        design = filters.high_pass if self.shape == "high_pass" else filters.low_pass
        return design(self.freq_hz, self.slope_db_per_octave, rate_hz)

    def in_words(self) -> str:
        """Short name for the log."""
        return f"{self.shape.replace('_', '-')} at {self.freq_hz:g} Hz, {self.slope_db_per_octave} dB/octave"


Band = Annotated[Shaped | Pass, Field(discriminator="shape")]


class Eq(Decider):
    """Shape the spectrum with bands in series.

    Decides: nothing. Treatment: Sections. Latency: none (minimum phase). Neutral: no bands, or 0 dB.
    Not to be confused with: a dynamic band, whose gain moves with the sound.
    Source: Audio EQ Cookbook, W3C Working Group Note, 8 June 2021; Butterworth passes, textbook.
    """

    stage: Literal["eq"] = "eq"
    neutral: ClassVar = {"bands": ()}

    bands: Annotated[tuple[Band, ...], Field(max_length=24)] = ()
    """The bands; their order does not matter."""

    def plan(self, context: Context) -> Plan:
        """Design the sections of each band, by what they filter."""
        rows: dict[On, list[Section]] = {"left_right": [], "mid": [], "side": []}
        for band in self.bands:
            rows[band.on] += band.sections(context.rate_hz)
        return Plan(
            treatment=Sections(
                both=filters.sections(rows["left_right"]),
                mid=filters.sections(rows["mid"]),
                side=filters.sections(rows["side"]),
            )
        )

    def decide(self, plan: Plan, memory: dict[str, Audio], heard: Heard) -> None:
        """Nothing depends on the sound."""

    def explain(self, plan: Plan, totals: Totals) -> Verdict:
        """Say what is set and where the bus changed most."""
        treatment = plan.treatment
        assert isinstance(treatment, Sections)
        bands = totals.band_changes_db()
        did: dict[str, Any] = {
            "level_change_db": round(totals.level_change_db, 2),
            "third_octave_change_db": bands,
        }
        if not len(treatment.both) + len(treatment.mid) + len(treatment.side):
            return Verdict("left alone", "No band is away from 0 dB.", did)
        what = "; ".join(
            band.in_words() + ("" if band.on == "left_right" else f" on {band.on}") for band in self.bands
        )
        if not bands:
            return Verdict("left alone", f"{what}: nothing sounded, 0 dB changed.", did)
        most = max(bands, key=lambda band: abs(bands[band]))
        word: Word = "worked" if abs(bands[most]) >= 0.5 else "slight"
        return Verdict(
            word,
            f"{what}. The bus changed most at {most} Hz, by {bands[most]:+.1f} dB, and by "
            f"{totals.level_change_db:+.2f} dB in level.",
            did,
        )
