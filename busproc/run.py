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


def stream(plan: GraphPlan, state: GraphState, block_frames: int) -> Iterator[Audio]:
    """Run a whole song.

    Yields
    ------
    ndarray
        `(frames, columns, 2)` of the last bus: in all, the length of the song and its tail.
    """
    total = plan.song.frames + plan.tail_frames + plan.latency_frames
    late = plan.latency_frames
    names = [bus.bus.name for bus in plan.buses if bus.bus.kind == "stems" and not bus.bus.is_muted]
    with ExitStack() as stack:
        sources = {name: stack.enter_context(StemSource(plan.song.files[name])) for name in names}
        for at in range(0, total, block_frames):
            frames = min(block_frames, total - at)
            stems = {name: source.read(frames) for name, source in sources.items()}
            out = process_graph(plan, state, frames, stems)
            kept = out[max(0, late - at) :]
            if len(kept):
                yield kept
