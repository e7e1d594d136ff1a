"""Reverb: its answer to a click, and its decay by octave."""

from __future__ import annotations

from busproc.pictures.plot import Panel
from busproc.pictures.tails import tail_panel
from busproc.stages.reverb import Reverb


def panel(stage: Reverb, rate_hz: int) -> Panel:
    """Measure the room alone."""
    return tail_panel(stage, rate_hz)
