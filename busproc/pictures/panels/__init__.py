"""A panel for each kind of stage, in the module of its tag.

A stage without a module here is drawn by its gain over frequency, measured with an impulse. That is all
that width needs, and what a new stage gets without an edit.
"""

from __future__ import annotations

import importlib
import pkgutil
from typing import Any

from busproc.pictures import probe
from busproc.pictures.plot import ALIKE_DB, LOWEST_DB, Curve, Panel, spectrum
from busproc.stages.base import Stage

OF_MID = ((0.5, 0.5), (1.0, 0.0), (0.0, 1.0))
"""What of a mid impulse is measured: mid, left, right."""


def panel_of(stage: Stage, rate_hz: int) -> Panel:
    """Measure a stage and tell what to draw of it."""
    if stage.tag not in {found.name for found in pkgutil.iter_modules(__path__)}:
        return at_rest(stage, rate_hz)
    drawn: Any = importlib.import_module(f"{__name__}.{stage.tag}")
    panel: Panel = drawn.panel(stage, rate_hz)
    return panel


def at_rest(stage: Stage, rate_hz: int) -> Panel:
    """Gain of mid and side over frequency while the bus is silent; of left and right where they differ."""
    freq_hz, mid_db, left_db, right_db = probe.response(stage, rate_hz, probe.MID, *OF_MID)
    _, side_db = probe.response(stage, rate_hz, probe.SIDE)
    side = "side (silent)" if side_db.max() < LOWEST_DB else "side"
    curves = [Curve(freq_hz, mid_db, "mid"), Curve(freq_hz, side_db, side, "second")]
    if abs(left_db - right_db).max() > ALIKE_DB:
        curves += [
            Curve(freq_hz, left_db, "mid to left", "part"),
            Curve(freq_hz, right_db, "mid to right", "part"),
        ]
    return Panel(rows=((spectrum("Gain while the bus is silent", curves),),))
