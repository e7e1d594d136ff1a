"""Convolve: its answer to a click, and its decay by octave."""

from __future__ import annotations

from busproc.pictures.plot import Panel
from busproc.pictures.tails import tail_panel
from busproc.stages.convolve import Convolve


def panel(stage: Convolve, rate_hz: int) -> Panel:
    """Measure the response alone; without one there is nothing to draw."""
    if stage.response is None:
        return Panel(("no response",))
    return tail_panel(stage, rate_hz)
