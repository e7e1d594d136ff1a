"""A filter EQ: bells, shelves, tilts, notches and passes, on left and right, on mid or on side."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, ClassVar, Literal

import numpy as np
from pydantic import Field

from busproc.errors import InputError
from busproc.stages import filters, linear_phase
from busproc.stages.base import Audio, Decider, Heard, Plan, Verdict, Word
from busproc.stages.context import Context
from busproc.stages.dynamic_bells import Detector, MovingBells
from busproc.stages.eq_bands import Band, Design, DynamicBell, On, Pass, Shaped
from busproc.stages.filters import Section
from busproc.stages.observe import GainTally, Totals
from busproc.stages.treatments import Sections, Treatment

__all__ = ["DynamicBell", "Eq", "Pass", "Shaped"]

WORKING_DB = 0.5
"""Less change than this in every third octave is called slight. Ours, not a standard's."""

MOVED_DB = 0.1
"""A dynamic bell that was turned down by less than this did nothing. Ours as well."""


@dataclass(frozen=True, kw_only=True)
class EqPlan(Plan):
    """The detectors of the dynamic bells, in their order."""

    detectors: tuple[Detector, ...]


class Eq(Decider):
    """Shape the spectrum with bands in series.

    Decides: nothing, but for dynamic bells: one gain curve each, from the level of its own region in the
    bus as it comes in. Treatment: Sections; MovingBells where a bell is dynamic; Convolve for linear phase.
    Latency: none with minimum phase; with linear phase half the impulse response and a block, from 0.02 s
    with bands in the treble to 1.5 s with a narrow one at 20 Hz. Neutral: no bands, or 0 dB.
    With the analog design the gain is that of the analog filter from 10 Hz to 0.9 of half the rate: bells,
    tilts, notches and shelves within 0.05 dB (shelves sharper than Q 8: 0.1), passes within 0.15 dB down
    to -60 dB. With linear phase it is that of minimum phase within 0.05 dB from 20 Hz up, but where a
    response of 2.7 s is too short: close to a narrow notch, or for a bell at 20 Hz sharper than Q 8.
    A dynamic bell is y = x + (gain - 1) band(x) with a band-pass that stays; its level is the RMS over
    10 ms, or over one period of a frequency under 100 Hz, and its knee is 6 dB wide. Held down by up to
    12 dB, it is an analog bell within 0.5 dB.
    Not to be confused with: a multiband compressor, which parts the whole spectrum.
    Source: Audio EQ Cookbook, W3C Working Group Note, 8 June 2021; Butterworth passes, textbook; gain of
    dynamic bells as in the compressor.
    """

    stage: Literal["eq"] = "eq"
    neutral: ClassVar = {"bands": ()}

    bands: Annotated[tuple[Band, ...], Field(max_length=24)] = ()
    """The bands; their order does not matter."""
    design: Design = "analog"
    """Follow the analog filter up to the top, or the plain cookbook formulas, which squeeze the treble."""
    phase: Literal["minimum", "linear"] = "minimum"
    """No latency and phase that turns with the gain, or the same delay for all frequencies."""

    def plan(self, context: Context) -> EqPlan:
        """Design the sections of each band, by what they filter."""
        rows: dict[On, list[Section]] = {"left_right": [], "mid": [], "side": []}
        for band in self.bands:
            rows[band.on] += band.sections(context.rate_hz, self.design)
        both, mid, side = rows.values()
        if self.phase == "linear" and (both or mid or side):
            treatment: Treatment = linear_phase.convolver(both, mid, side, context.rate_hz)
        else:
            treatment = Sections(filters.sections(both), filters.sections(mid), filters.sections(side))
        dynamic = [band for band in self.bands if isinstance(band, DynamicBell)]
        if not dynamic:
            return EqPlan(treatment=treatment, detectors=())
        if self.phase == "linear":
            raise InputError(
                f"{context.place or 'eq'}: a dynamic bell cannot have linear phase; "
                "put it into an eq stage of its own with minimum phase"
            )
        detectors = tuple(band.detector(context.rate_hz, self.design) for band in dynamic)
        treatment = MovingBells(treatment, tuple(detector.band for detector in detectors))
        return EqPlan(treatment=treatment, detectors=detectors)

    def memory(self, plan: EqPlan) -> dict[str, Any]:
        """For each dynamic bell its band-pass, mean squares and smoothed reduction."""
        return {f"detector {k}": detector.start() for k, detector in enumerate(plan.detectors)}

    def decide(self, plan: EqPlan, memory: dict[str, Any], heard: Heard) -> Audio | None:
        """Work out the gain of each dynamic bell: `(frames, bells)`."""
        if not plan.detectors:
            return None
        detectors = zip(plan.detectors, memory.values(), strict=True)
        return np.stack([detector.gain(remembered, heard.bus) for detector, remembered in detectors], axis=1)

    def explain(self, plan: EqPlan, totals: Totals) -> Verdict:  # noqa: ARG002
        """Say what is set, where the bus changed most, and what dynamic bells did."""
        changes = totals.band_changes_db()
        dynamic = [band for band in self.bands if isinstance(band, DynamicBell)]
        moved = list(zip(dynamic, totals.band_gains, strict=True))
        did: dict[str, Any] = {
            "level_change_db": round(totals.level_change_db, 2),
            "third_octave_change_db": changes,
        }
        if moved:
            did["dynamic_bells"] = [{"band": band.in_words(), **gain.as_dict()} for band, gain in moved]
        what = "; ".join(
            band.in_words() + ("" if band.on == "left_right" else f" on {band.on}")
            for band in self.bands
            if not band.is_neutral
        )
        if not what:
            return Verdict("left alone", "No band is away from 0 dB.", did)
        if not changes:
            return Verdict("left alone", f"{what}: nothing sounded, 0 dB changed.", did)
        most = max(changes, key=lambda name: abs(changes[name]))
        return Verdict(
            self._word(abs(changes[most]), totals),
            f"{what}. The bus changed most at {most} Hz, by {changes[most]:+.1f} dB, and by "
            f"{totals.level_change_db:+.2f} dB in level.{''.join(map(_in_words, moved))}",
            did,
        )

    def _word(self, most_db: float, totals: Totals) -> Word:
        if most_db >= WORKING_DB:
            return "worked"
        at_rest = all(gain.deepest_db < MOVED_DB for gain in totals.band_gains)
        stays = any(not band.is_neutral for band in self.bands if not isinstance(band, DynamicBell))
        raised = any(band.gain_db for band in self.bands if isinstance(band, DynamicBell))
        return "slight" if stays or raised or not at_rest else "left alone"


def _in_words(moved: tuple[DynamicBell, GainTally]) -> str:
    """What one dynamic bell did."""
    band, gain = moved
    if gain.deepest_db < MOVED_DB:
        return f" At {band.freq_hz:g} Hz under {MOVED_DB:g} dB was turned down."
    return (
        f" At {band.freq_hz:g} Hz {gain.percentile_db(50):.1f} dB was turned down in the median, "
        f"{gain.percentile_db(95):.1f} dB at the 95th percentile, {gain.deepest_db:.1f} dB at most "
        f"({gain.deepest_at_s:.1f} s)."
    )
