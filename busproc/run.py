"""A graph fed from its files, block by block, latency taken out."""

from __future__ import annotations

from contextlib import ExitStack
from typing import TYPE_CHECKING

from busproc.mixing import GraphState, process_graph
from busproc.routing import GraphPlan
from busproc.sources import StemSource

if TYPE_CHECKING:
    from collections.abc import Iterator

    from busproc.stages.base import Audio


def run(plan: GraphPlan, state: GraphState, block_frames: int, frames: int) -> Iterator[Audio]:
    """Run a graph for so many frames; latency stays in what leaves."""
    names = [bus.bus.name for bus in plan.buses if bus.bus.kind == "stems" and not bus.bus.is_muted]
    with ExitStack() as stack:
        sources = {name: stack.enter_context(StemSource(plan.song.files[name])) for name in names}
        for at in range(0, frames, block_frames):
            taken = min(block_frames, frames - at)
            stems = {name: source.read(taken) for name, source in sources.items()}
            yield process_graph(plan, state, taken, stems)


def stream(plan: GraphPlan, state: GraphState, block_frames: int) -> Iterator[Audio]:
    """Run a whole song.

    Yields
    ------
    ndarray
        `(frames, columns, 2)` of the last bus: in all, the length of the song and its tail.
    """
    late = plan.latency_frames
    at = 0
    for block in run(plan, state, block_frames, plan.song.frames + plan.tail_frames + late):
        if at + len(block) > late:
            yield block[max(0, late - at) :]
        at += len(block)
