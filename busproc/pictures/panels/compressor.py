"""Compressor: its static curve, and the pace of its gain when a level steps up and down."""

from __future__ import annotations

from typing import Any

import numpy as np

from busproc.measure.decibels import SINE_CREST_DB
from busproc.pictures import probe
from busproc.pictures.plot import Axis, Curve, Panel, Plot
from busproc.pictures.steps import step_plot
from busproc.stages.compressor import Compressor

AT_ONCE: dict[str, Any] = {
    "attack_ms": 0.0,
    "hold_ms": 0.0,
    "release_ms": 1.0,
    "rms_window_ms": 0.1,
    "lookahead_ms": 0.0,
}
"""Times that a static curve does not depend on, as short as can be."""
STAIR_DB, STAIR_S = 0.5, 0.01
BESIDE_DB = 10.0
"""So far from the knee are the levels of the step."""
AUTO_RELEASE_S = 3.0


def panel(stage: Compressor, rate_hz: int) -> Panel:
    """Measure with a steady level, as the detector reads it, for bus and key; without a side chain."""
    matched = stage.makeup_db == "matched"
    plain = stage.model_copy(update={"side_chain": (), **({"makeup_db": 0.0} if matched else {})})
    told = {
        "drawn without its side chain": bool(stage.side_chain),
        "drawn for a key as loud as the bus": stage.key is not None,
        "drawn without the make-up, which is found in each song": matched,
    }
    remarks = tuple(text for text, holds in told.items() if holds)
    return Panel(remarks, ((_static_curve(plain, rate_hz), *_steps(plain, rate_hz)),))


def _static_curve(stage: Compressor, rate_hz: int) -> Plot:
    bottom = min(-60.0, stage.threshold_dbfs - stage.knee_db / 2 - BESIDE_DB)
    levels = np.arange(bottom, STAIR_DB, STAIR_DB)
    stairs = probe.in_steps(rate_hz, *((level - _crest_db(stage), STAIR_S) for level in levels))
    gain_db = probe.gain_over(stage.model_copy(update=AT_ONCE), rate_hz, stairs)
    late_in_each = (np.arange(len(levels)) + 0.75) * round(STAIR_S * rate_hz)
    out = levels + gain_db[late_in_each.astype(int)]
    half = stage.knee_db / 2
    return Plot(
        f"{_told(stage.ratio)}:1 over {stage.threshold_dbfs:g} dBFS, knee {stage.knee_db:g} dB",
        Axis("level in (dBFS)", bottom, 0.0),
        Axis("level out (dBFS)", bottom, max(0.0, out.max() + 1)),
        (Curve(levels, levels, look="reference"), Curve(levels, out)),
        at_x=stage.threshold_dbfs,
        span=(stage.threshold_dbfs - half, stage.threshold_dbfs + half) if half else None,
    )


def _steps(stage: Compressor, rate_hz: int) -> tuple[Plot, Plot]:
    quiet = stage.threshold_dbfs - stage.knee_db / 2 - BESIDE_DB
    loud = stage.threshold_dbfs + stage.knee_db / 2 + BESIDE_DB
    before_s, up_s, down_s = _times_s(stage)
    steps = [
        (level - _crest_db(stage), time_s)
        for level, time_s in ((quiet, before_s), (loud, up_s), (quiet, down_s))
    ]
    gain_db = probe.gain_over(stage, rate_hz, probe.in_steps(rate_hz, *steps))
    up, down = round(before_s * rate_hz), round(before_s * rate_hz) + round(up_s * rate_hz)
    lead = round((stage.lookahead_ms / 1000 + 0.001) * rate_hz)
    return (
        step_plot(
            "Attack", f"after a step up to {loud:.4g} dBFS", gain_db[up - lead : down - lead], lead, rate_hz
        ),
        step_plot("Release", f"after a step down to {quiet:.4g} dBFS", gain_db[down - lead :], lead, rate_hz),
    )


def _crest_db(stage: Compressor) -> float:
    """How much higher the detector reads a steady value, as a sine is to read its peak."""
    return SINE_CREST_DB if stage.detector == "rms" else 0.0


def _times_s(stage: Compressor) -> tuple[float, float, float]:
    """How long it is quiet, loud, and quiet again, so that the gain settles each time."""
    window_s = stage.rms_window_ms / 1000 if stage.detector == "rms" else 0.0
    release_s = AUTO_RELEASE_S if stage.release_ms == "auto" else stage.release_ms / 1000
    up_s = 0.1 + 8 * (stage.attack_ms / 1000 + window_s)
    down_s = 0.1 + 6 * release_s + 8 * window_s + stage.hold_ms / 1000 + stage.lookahead_ms / 1000
    if stage.ballistics == "decoupled" or stage.release_ms == "auto":
        down_s += 8 * stage.attack_ms / 1000
        up_s += AUTO_RELEASE_S
    return 0.1, up_s, down_s


def _told(ratio: float | str) -> str:
    return ratio if isinstance(ratio, str) else f"{ratio:g}"
