"""Limiter: how loud a tone leaves that steps over the ceiling and back."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from busproc.pictures import probe
from busproc.pictures.plot import Audio, Axis, Curve, Panel, Plot
from busproc.pictures.steps import step_plot
from busproc.stages.limiter import Limiter

TONE_HZ = 1000
BESIDE_DB = 6.0
BEFORE_S, LOUD_S, LONGEST_S = 0.1, 0.2, 12.0


def panel(stage: Limiter, rate_hz: int) -> Panel:
    """Measure with a tone 6 dB under, 6 dB over, and 6 dB under the ceiling."""
    driven = stage.target_lufs is not None
    remarks = ("drawn without the drive to its target, which is found in each song",) * driven
    plain = stage.model_copy(update={"target_lufs": None})
    quiet, loud = (stage.ceiling_dbtp + beside for beside in (-BESIDE_DB, BESIDE_DB))
    levels = probe.in_steps(rate_hz, (quiet, BEFORE_S), (loud, LOUD_S), (quiet, _release_s(stage)))
    gain_db = probe.gain_over(plain, rate_hz, levels, probe.tone(TONE_HZ, len(levels), rate_hz))
    up, down = (round(time_s * rate_hz) for time_s in (BEFORE_S, BEFORE_S + LOUD_S))
    lead = round(2 * stage.lookahead_ms / 1000 * rate_hz)
    in_db = probe.decibels(levels)

    def plot(name: str, when: str, part: slice) -> Plot:
        return _with_levels(
            step_plot(name, when, gain_db[part], lead, rate_hz), in_db[part], stage.ceiling_dbtp
        )

    return Panel(
        remarks,
        (
            (
                plot("Gain falls", f"after a step up to {loud:.4g} dBFS", slice(up - lead, down - lead)),
                plot("Gain rises", f"after a step down to {quiet:.4g} dBFS", slice(down - lead, None)),
            ),
        ),
    )


def _with_levels(gain: Plot, in_db: Audio, ceiling_dbtp: float) -> Plot:
    """The same step, with the levels that come and leave in place of the gain."""
    (curve,) = gain.curves
    came = in_db[: len(curve.x)]
    ceiling = Curve(curve.x[[0, -1]], np.full(2, ceiling_dbtp), f"ceiling {ceiling_dbtp:g} dBTP", "reference")
    levels = Curve(curve.x, came, "in", "second"), Curve(curve.x, came + curve.y, "out"), ceiling
    at = None if gain.point is None else int(np.flatnonzero(curve.x == gain.point[0])[0])
    return replace(
        gain,
        y=Axis("level of a tone (dBFS)", ceiling_dbtp - 2.5 * BESIDE_DB, ceiling_dbtp + 1.5 * BESIDE_DB),
        curves=levels,
        point=None if at is None else (float(curve.x[at]), float(levels[1].y[at])),
    )


def _release_s(stage: Limiter) -> float:
    slowest_ms = max(stage.release_ms, stage.sustained_release_ms)
    return min(LONGEST_S, 0.1 + (stage.hold_ms + 2 * stage.lookahead_ms + 5 * slowest_ms) / 1000)
