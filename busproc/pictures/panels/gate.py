"""Gate: its static curve up and down, and the pace at which it opens and closes."""

from __future__ import annotations

from typing import Any

import numpy as np

from busproc.measure.decibels import SINE_CREST_DB
from busproc.pictures import probe
from busproc.pictures.plot import Axis, Curve, Panel, Plot
from busproc.pictures.steps import step_plot
from busproc.stages.gate import Gate

AT_ONCE: dict[str, Any] = {
    "attack_ms": 0.0,
    "hold_ms": 0.0,
    "release_ms": 1.0,
    "lookahead_ms": 0.0,
    "detector": "peak",
}
"""Times that a static curve does not depend on, as short as can be; a steady level has one reading."""
STAIR_DB, STAIR_S = 0.5, 0.02
BESIDE_DB = 10.0
"""So far over the threshold, and under where it closes, are the levels of the step."""


def panel(stage: Gate, rate_hz: int) -> Panel:
    """Measure with a steady level, as the detector reads it, for bus and key; without a side chain."""
    plain = stage.model_copy(update={"side_chain": ()})
    told = {
        "drawn without its side chain": bool(stage.side_chain),
        "drawn for a key as loud as the bus": stage.key is not None,
    }
    remarks = tuple(text for text, holds in told.items() if holds)
    return Panel(remarks, ((_static_curve(plain, rate_hz), *_steps(plain, rate_hz)),))


def _static_curve(stage: Gate, rate_hz: int) -> Plot:
    bottom = stage.threshold_dbfs - stage.hysteresis_db - 2 * BESIDE_DB
    rising = np.arange(bottom, STAIR_DB, STAIR_DB)
    levels = np.concatenate([rising, rising[::-1]])
    stairs = probe.in_steps(rate_hz, *((level, STAIR_S) for level in levels))
    gain_db = probe.gain_over(stage.model_copy(update=AT_ONCE), rate_hz, stairs)
    late_in_each = (np.arange(len(levels)) + 0.75) * round(STAIR_S * rate_hz)
    out_up, out_down = np.split(levels + gain_db[late_in_each.astype(int)], 2)
    ratio = stage.ratio if isinstance(stage.ratio, str) else f"{stage.ratio:g}"
    return Plot(
        f"{ratio}:1 under {stage.threshold_dbfs:g} dBFS, at most {stage.range_db:g} dB",
        Axis("level in (dBFS)", bottom, 0.0),
        Axis("level out (dBFS)", max(out_up.min(), bottom - 3 * BESIDE_DB), 0.0),
        (
            Curve(rising, rising, look="reference"),
            Curve(rising, out_up, "rising"),
            Curve(rising, out_down[::-1], "falling", "second"),
        ),
        at_x=stage.threshold_dbfs,
        span=(stage.threshold_dbfs - stage.hysteresis_db, stage.threshold_dbfs)
        if stage.hysteresis_db
        else None,
    )


def _steps(stage: Gate, rate_hz: int) -> tuple[Plot, Plot]:
    quiet = stage.threshold_dbfs - stage.hysteresis_db - BESIDE_DB
    loud = stage.threshold_dbfs + BESIDE_DB
    window_s = stage.rms_window_ms / 1000 if stage.detector == "rms" else 0.0
    before_s = 0.1 + 8 * window_s + 6 * stage.release_ms / 1000
    up_s = 0.1 + 8 * (stage.attack_ms / 1000 + window_s)
    down_s = 0.1 + (6 * stage.release_ms + stage.hold_ms + stage.lookahead_ms) / 1000 + 8 * window_s
    crest_db = SINE_CREST_DB if stage.detector == "rms" else 0.0
    steps = [
        (level - crest_db, time_s) for level, time_s in ((quiet, before_s), (loud, up_s), (quiet, down_s))
    ]
    gain_db = probe.gain_over(stage, rate_hz, probe.in_steps(rate_hz, *steps))
    up, down = round(before_s * rate_hz), round(before_s * rate_hz) + round(up_s * rate_hz)
    lead = round((stage.lookahead_ms / 1000 + 0.001) * rate_hz)
    return (
        step_plot(
            "Opens", f"after a step up to {loud:.4g} dBFS", gain_db[up - lead : down - lead], lead, rate_hz
        ),
        step_plot("Closes", f"after a step down to {quiet:.4g} dBFS", gain_db[down - lead :], lead, rate_hz),
    )
