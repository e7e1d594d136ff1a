"""Level, polarity and pan."""

from __future__ import annotations

import math
from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field

from busproc.stages.base import Audio, Decider, Heard, Plan, Verdict, Word
from busproc.stages.context import Context
from busproc.stages.observe import Totals
from busproc.stages.treatments import Matrix

PanLaw = Literal["balance", "constant_power", "linear"]


def pan_gains(pan: float, law: PanLaw) -> tuple[float, float]:
    """Gain of left and right at a position; the centre is exactly 1 in every law.

    Parameters
    ----------
    pan
        -1 (left) to 1 (right).
    law
        `balance` turns the far side down and leaves the near one; `constant_power` keeps the sum of
        squares, +3.01 dB at the ends; `linear` keeps the sum, +6.02 dB at the ends.
        Common practice, no source.

    Examples
    --------
    >>> [round(g, 4) for g in pan_gains(1.0, "constant_power")]
    [0.0, 1.4142]
    >>> pan_gains(0.5, "linear")
    (0.5, 1.5)
    """
    if pan == 0:
        return 1.0, 1.0
    if law == "linear":
        return 1.0 - pan, 1.0 + pan
    if law == "balance":
        far = math.cos(math.pi / 2 * abs(pan)) if abs(pan) < 1 else 0.0
        return (far, 1.0) if pan > 0 else (1.0, far)
    angle = (pan + 1) * math.pi / 4
    left = math.sqrt(2) * math.cos(angle) if pan < 1 else 0.0
    return left, math.sqrt(2) * math.sin(angle)


class Gain(Decider):
    """Turn the bus up or down, flip its polarity, move it to a side.

    Decides: nothing. Treatment: Matrix. Latency: none. Neutral: 0 dB, polarity as it came, centre.
    Not to be confused with: make-up gain, which belongs to its compressor.
    Source: common practice, no source.
    """

    stage: Literal["gain"] = "gain"
    neutral: ClassVar = {"gain_db": 0.0, "polarity": "as_is", "pan": 0.0}

    gain_db: Annotated[float, Field(ge=-80, le=24, strict=True)] = 0.0
    """How much louder."""
    polarity: Literal["as_is", "inverted"] = "as_is"
    """Whether the wave is turned upside down."""
    pan: Annotated[float, Field(ge=-1, le=1, strict=True)] = 0.0
    """Position, -1 left to 1 right; the centre changes nothing."""
    pan_law: PanLaw = "balance"
    """How left and right share the level away from the centre."""

    def plan(self, context: Context) -> Plan:  # noqa: ARG002
        """Work out the gain of each side."""
        gain = 10 ** (self.gain_db / 20) * (-1 if self.polarity == "inverted" else 1)
        left, right = pan_gains(self.pan, self.pan_law)
        return Plan(treatment=Matrix(((gain * left, 0.0), (0.0, gain * right))))

    def decide(self, plan: Plan, memory: dict[str, Audio], heard: Heard) -> None:
        """Nothing depends on the sound."""

    def explain(self, plan: Plan, totals: Totals) -> Verdict:  # noqa: ARG002
        """Say what was set and what it did to the level."""
        parts = [f"{self.gain_db:+.1f} dB"]
        if self.polarity == "inverted":
            parts.append("polarity inverted")
        if self.pan:
            parts.append(f"{abs(self.pan):.0%} to the {'right' if self.pan > 0 else 'left'} ({self.pan_law})")
        did: dict[str, Any] = {"level_change_db": round(totals.level_change_db, 2)}
        if len(parts) == 1 and self.gain_db == 0:
            return Verdict("left alone", "Set to 0 dB: the bus passes as it came.", did)
        word: Word = "worked" if abs(self.gain_db) >= 0.1 or len(parts) > 1 else "slight"
        return Verdict(word, f"{', '.join(parts)}; the bus changed by {totals.level_change_db:+.2f} dB.", did)
