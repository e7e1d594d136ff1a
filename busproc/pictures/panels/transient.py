"""Transient: what becomes of a struck tone that fades, and of one that stays."""

from __future__ import annotations

import numpy as np

from busproc.pictures import probe
from busproc.pictures.plot import Audio, Axis, Curve, Panel, Plot
from busproc.stages.transient import Transient

TONE_HZ = 200
BEFORE_S, AFTER_S = 0.05, 0.6
FADES_S = 0.1
"""Time in which the level of a struck tone falls by 8.7 dB: 60 dB in 0.7 s."""
RISES_S = 0.001


def panel(stage: Transient, rate_hz: int) -> Panel:
    """Measure with tones out of silence, for bus and key."""
    remarks = ("drawn for a key that sounds like the bus",) * (stage.key is not None)
    time_s = np.arange(round((BEFORE_S + AFTER_S) * rate_hz)) / rate_hz - BEFORE_S
    begun = np.where(time_s < 0, 0.0, 1 - np.exp(-np.maximum(time_s, 0) / RISES_S))
    fading = begun * np.exp(-np.maximum(time_s, 0) / FADES_S)
    return Panel(
        remarks,
        (
            (
                _gain(stage, rate_hz, "Gain over a struck tone: 60 dB down in 0.7 s", time_s, fading),
                _gain(stage, rate_hz, "Gain over a tone that begins and stays", time_s, begun),
            ),
        ),
    )


def _gain(stage: Transient, rate_hz: int, title: str, time_s: Audio, level: Audio) -> Plot:
    gain_db = probe.gain_over(stage, rate_hz, level, probe.tone(TONE_HZ, len(level), rate_hz))
    asked = (0.0, stage.attack_db, stage.body_db)
    return Plot(
        title,
        Axis(f"ms after it begins ({TONE_HZ} Hz)", 1000 * time_s[0], 1000 * time_s[-1]),
        Axis("gain (dB)", min(asked) - 2, max(asked) + 2),
        (Curve(1000 * time_s, gain_db),),
        at_x=0.0,
    )
