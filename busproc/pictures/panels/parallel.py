"""Parallel: levels and latencies of what is summed; the branches' stages follow as panels of their own."""

from __future__ import annotations

from busproc.pictures.plot import Panel
from busproc.stages.composite import PathPlan
from busproc.stages.context import Context
from busproc.stages.parallel import Parallel


def panel(stage: Parallel, rate_hz: int) -> Panel:
    """Tell each path."""
    paths = stage.plan(Context(rate_hz, facts=None)).paths
    return Panel(tuple(_told(path, rate_hz) for path in paths), tells_settings=True)


def _told(path: PathPlan, rate_hz: int) -> str:
    level = "left out" if path.level_db is None else f"{path.level_db:+g} dB"
    if not path.step:
        return f"the bus itself: {level}"
    stages = ", ".join(step.stage.tag for step in path.series.steps) or "no stages"
    late = f" (latency {1000 * path.latency_frames / rate_hz:.2f} ms)" if path.latency_frames else ""
    return f"{path.step}: {level}, through {stages}{late}"
