"""What answers a click: its first moments, and how it dies away in each octave."""

from __future__ import annotations

import numpy as np

from busproc.chain import process
from busproc.pictures.plot import Audio, Axis, Curve, Look, Panel, Plot
from busproc.pictures.probe import decibels
from busproc.stages.context import Context
from busproc.stages.convolve import Convolve
from busproc.stages.eq import Eq, Pass
from busproc.stages.reverb import Reverb

OCTAVES_HZ: dict[float, Look] = {125.0: "second", 1000.0: "main", 8000.0: "part"}
EDGE = 2**0.5
FLOOR_DB = -60.0
POINTS = 500
FIRST_S = 0.2
AROUND_S = 0.001


def tail_panel(stage: Reverb | Convolve, rate_hz: int) -> Panel:
    """Measure the answer alone, to a click on both sides."""
    alone = stage.model_copy(update={"when": None, "mix": 1.0})
    plan = alone.plan(Context(rate_hz))
    click = np.zeros((plan.tail_frames + rate_hz // 10, 2))
    click[0] = 1.0
    answer = process(alone, click, rate_hz)
    remarks = () if stage.mix == 1 else (f"drawn without what passes beside it (mix {stage.mix:g})",)
    return Panel(remarks, ((_first_moments(answer, rate_hz), _decays(answer, rate_hz)),))


def _first_moments(answer: Audio, rate_hz: int) -> Plot:
    """Highest value of each millisecond, left and right."""
    around = max(1, round(AROUND_S * rate_hz))
    first = answer[: min(len(answer), round(FIRST_S * rate_hz)) // around * around]
    highest = np.abs(first).reshape(-1, around, 2).max(axis=1)
    level_db = np.maximum(decibels(highest / highest.max()), FLOOR_DB)
    time_ms = np.arange(len(highest)) * around * 1000 / rate_hz
    return Plot(
        "Answer to a click: peaks of each millisecond",
        Axis("time (ms)", 0.0, float(time_ms[-1])),
        Axis("level (dB)", FLOOR_DB, 3.0),
        (Curve(time_ms, level_db[:, 0], "left"), Curve(time_ms, level_db[:, 1], "right", "part")),
    )


def _decays(answer: Audio, rate_hz: int) -> Plot:
    """Energy still to come, octave by octave: Schroeder's reverse integration, JASA 37(3), 1965."""
    curves = [
        _decay(answer, freq_hz, look, rate_hz)
        for freq_hz, look in OCTAVES_HZ.items()
        if freq_hz * EDGE < 0.45 * rate_hz
    ]
    ends = [
        each.x[np.argmax(each.y <= FLOOR_DB)] if (each.y <= FLOOR_DB).any() else each.x[-1] for each in curves
    ]
    return Plot(
        "Decay by octave",
        Axis("time (s)", 0.0, float(max(ends))),
        Axis("energy to come (dB)", FLOOR_DB, 3.0),
        tuple(curves),
    )


def _decay(answer: Audio, freq_hz: float, look: Look, rate_hz: int) -> Curve:
    octave = Eq(
        bands=(
            Pass(shape="high_pass", freq_hz=freq_hz / EDGE, slope_db_per_octave=24),
            Pass(shape="low_pass", freq_hz=freq_hz * EDGE, slope_db_per_octave=24),
        )
    )
    energy = (process(octave, answer, rate_hz) ** 2).sum(axis=1)
    to_come = np.cumsum(energy[::-1])[::-1]
    step = max(1, len(to_come) // POINTS)
    time_s, level = np.arange(0, len(to_come), step) / rate_hz, to_come[::step] / to_come[0]
    return Curve(time_s, decibels(np.sqrt(level)), f"{freq_hz:g} Hz", look)
