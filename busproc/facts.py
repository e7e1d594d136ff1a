"""Facts about whole songs that a stage's condition needs, found before the render in passes of their own."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np

from busproc.measure.meter import Meter
from busproc.routing import Placed, plan_graph, start_graph
from busproc.run import stream

if TYPE_CHECKING:
    from busproc.song import Song
    from busproc.stages.base import Stage

Found = dict[str, dict[str, float | None]]


def find_facts(song: Song, block_frames: int, announce: Callable[[str], None]) -> Found:
    """Measure what each condition asks for, at its stage's entrance, in chain order.

    Each conditional stage costs one pass over what leads to it; a pass sees the earlier facts, so a
    condition is judged behind the stages that will really run.
    """
    facts: Found = {}
    for name in song.order:
        bus = song.buses[name]
        for where, before, stage in conditional(bus.chain.placed()):
            place = f"{bus.place}.{where}"
            announce(f"measuring before {place}")
            plan = plan_graph(song, facts, end=name, stages=before)
            meter = Meter(song.rate_hz, 2)
            for block in stream(plan, start_graph(plan), block_frames):
                meter.feed(np.ascontiguousarray(block[:, 0]))
            assert stage.when is not None
            facts[place] = {stage.when.measure: meter.reading().as_dict()[stage.when.measure]}
    return facts


def conditional(placed: Placed, before: Placed = ()) -> Iterator[tuple[str, list[tuple[str, Stage]], Stage]]:
    """Each stage with a condition: its step, what runs before it, and the stage; inner ones included."""
    for n, (where, stage) in enumerate(placed):
        ahead = [*before, *placed[:n]]
        if stage.when is not None:
            yield where, ahead, stage
        for step, stages in stage.inner():
            inner: Sequence[tuple[str, Stage]] = [
                (f"{where}.{step}.stages[{k}]", each) for k, each in enumerate(stages)
            ]
            yield from conditional(inner, ahead)
