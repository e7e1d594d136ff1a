"""Saturation by a smooth curve, oversampled so that its harmonics do not fold back."""

from __future__ import annotations

import math
from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field

from busproc.kernels import oversample, shape
from busproc.stages.base import Audio, Context, Decider, Heard, Plan, Verdict
from busproc.stages.observe import Totals
from busproc.stages.treatments import OversampledRatio


class Saturator(Decider):
    """Bend the wave by y = tanh(drive x) / drive: quiet sound passes at its level, loud sound is rounded.

    Decides: the ratio y/x per oversampled frame and side. Treatment: OversampledRatio. Latency: that of
    the oversampling filters. Neutral: mix 0. Odd harmonics only.
    Not to be confused with: a clipper, which leaves everything under its knee alone.
    Source: common practice, no source; harmonics of tanh by its Taylor series.
    """

    stage: Literal["saturator"] = "saturator"
    neutral: ClassVar = {"mix": 0.0}

    curve: Literal["tanh"] = "tanh"
    """Shape of the bend."""
    drive_db: Annotated[float, Field(ge=0, le=36, strict=True)] = 3.0
    """How far the wave is pushed into the bend; its level is given back after."""
    mix: Annotated[float, Field(ge=0, le=1, strict=True)] = 1.0
    """Share of the bent wave; the rest is the untouched bus."""
    oversampling: Literal[2, 4, 8, 16] = 8
    """How many times the rate at which the wave is bent."""

    def plan(self, context: Context) -> Plan:  # noqa: ARG002
        """Nothing to derive but the treatment."""
        return Plan(treatment=OversampledRatio(self.oversampling))

    def memory(self, plan: Plan) -> dict[str, Any]:  # noqa: ARG002
        """Memory of the detector's own oversampling."""
        return {"up": oversample.start_up(self.oversampling, 2)}

    def decide(self, plan: Plan, memory: dict[str, Any], heard: Heard) -> Audio:  # noqa: ARG002
        """Bend the bus at the oversampled rate and keep the ratio."""
        fine = oversample.up(self.oversampling, memory["up"], heard.bus)
        return shape.tanh_ratio(fine, 10 ** (self.drive_db / 20), self.mix)

    def explain(self, plan: Plan, totals: Totals) -> Verdict:  # noqa: ARG002
        """Tell the harmonics that a sine as loud as the bus would gain."""
        change = round(totals.level_change_db, 2)
        did: dict[str, Any] = {"drive_db": self.drive_db, "level_change_db": change}
        level = totals.before.rms_dbfs
        if level is None:
            return Verdict("left alone", "Nothing sounded, 0 dB changed.", did)
        third = harmonic_db(10 ** (level / 20), 10 ** (self.drive_db / 20), self.mix, 3)
        did |= {"sine_dbfs": round(level, 2), "third_harmonic_db": third and round(third, 1)}
        if third is None or third < -90:
            return Verdict("left alone", f"At {level:.1f} dBFS its third harmonic is under -90 dB.", did)
        return Verdict(
            "worked" if third >= -60 else "slight",
            f"A sine at the bus's {level:.1f} dBFS gains a third harmonic at {third:.0f} dB; the bus changed "
            f"by {change:+.2f} dB.",
            did,
        )


def harmonic_db(amplitude: float, drive: float, mix: float, order: int) -> float | None:
    """Level of a harmonic of a bent sine against its fundamental; none where there is no bend.

    >>> round(harmonic_db(1.0, 1.0, 1.0, 3), 2)  # tanh of a full-scale sine
    -23.5
    """
    points = 256
    turns = [2 * math.pi * (n + 0.5) / points for n in range(points)]
    wave = [
        (1 - mix) * amplitude * math.sin(t) + mix * math.tanh(drive * amplitude * math.sin(t)) / drive
        for t in turns
    ]
    parts = [math.fsum(y * math.sin(k * t) for y, t in zip(wave, turns, strict=True)) for k in (1, order)]
    return 20 * math.log10(abs(parts[1] / parts[0])) if abs(parts[1]) > 1e-15 * abs(parts[0]) else None
