"""Delay: when echoes come and how loud, and what the filters leave of them."""

from __future__ import annotations

import numpy as np

from busproc.pictures import probe
from busproc.pictures.plot import LOWEST_HZ, Audio, Axis, Curve, Look, Panel, Plot, spectrum
from busproc.stages.context import Context
from busproc.stages.delay import Delay

LONGEST_S, MOST = 20.0, 16
"""No more of the echoes is drawn than this."""
COLUMNS = 600
BOTTOM_DB = -90.0
TOLD = {1: "first echo", 2: "second echo", 4: "fourth echo"}
LOOKS: tuple[Look, ...] = ("main", "second", "part")


def panel(stage: Delay, rate_hz: int) -> Panel:
    """Measure with an impulse on both sides, while nothing ducks."""
    plan = stage.plan(Context(rate_hz))
    time_s = stage.time_in_force_ms / 1000
    shown = max(1, min(plan.echoes, MOST, int(LONGEST_S / time_s)))
    impulse = np.zeros((round((shown + 0.5) * time_s * rate_hz), 2))
    impulse[0] = 1.0
    left = probe.treated(stage, rate_hz, np.zeros_like(impulse), impulse)
    told = {k: name for k, name in TOLD.items() if k <= min(shown, plan.echoes)}
    remarks = ("drawn while nothing ducks the echoes",) * (stage.duck_db > 0)
    rows = [(_levels(left, rate_hz),)]
    if told and stage.mix:
        rows.append((_responses(left, round(time_s * rate_hz), told, rate_hz),))
    return Panel(remarks, tuple(rows))


def _levels(left: Audio, rate_hz: int) -> Plot:
    """Highest peak of left and right in each of many parts."""
    edges = np.unique(np.linspace(0, len(left), COLUMNS + 1).astype(int))
    peaks_db = probe.decibels(np.maximum.reduceat(np.abs(left), edges[:-1]))
    time_s = edges[:-1] / rate_hz
    return Plot(
        "What an impulse becomes",
        Axis("time (s)", 0.0, len(left) / rate_hz),
        Axis("peak (dB)", BOTTOM_DB, 3.0),
        (
            Curve(time_s, np.maximum(peaks_db[:, 0], BOTTOM_DB), "left"),
            Curve(time_s, np.maximum(peaks_db[:, 1], BOTTOM_DB), "right", "second"),
        ),
    )


def _responses(left: Audio, frames: int, told: dict[int, str], rate_hz: int) -> Plot:
    """Gain of single echoes over frequency, both sides' power together."""
    size = probe.response_frames(rate_hz)
    bins = np.unique(np.geomspace(LOWEST_HZ * size / rate_hz, size // 2, probe.POINTS).round().astype(int))
    curves = []
    for look, (k, name) in zip(LOOKS, told.items(), strict=False):
        one = left[k * frames - frames // 2 : k * frames + frames // 2]
        power = np.sum(np.abs(np.fft.rfft(one, size, axis=0)[bins]) ** 2, axis=1)
        curves.append(Curve(bins * rate_hz / size, probe.decibels(np.sqrt(power / 2)), name, look))
    return spectrum("Gain of single echoes", curves, down_to_db=-36.0)
