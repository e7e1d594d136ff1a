"""Facts about whole songs, found before the render in passes of their own.

The passes run in chain order: each hears the stages before it as they will really run, with the facts that
earlier passes have found.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from functools import partial
from typing import Any

import numpy as np

from busproc.routing import plan_graph, start_graph
from busproc.run import stream
from busproc.song import Song
from busproc.stages.base import Audio, Context, Stage
from busproc.stages.series import Placed
from busproc.stages.study import MeterStudy, Study

Found = dict[str, dict[str, Any]]
Announce = Callable[[str], None]


def find_facts(song: Song, block_frames: int, announce: Announce) -> Found:
    """Run every study of a song."""
    found: Found = {}

    def heard(name: str, stages: Placed) -> Iterator[Audio]:
        plan = plan_graph(song, found, end=name, stages=stages)
        for block in stream(plan, start_graph(plan), block_frames):
            yield np.ascontiguousarray(block[:, 0])

    for name in song.order:
        bus = song.buses[name]
        here = Context(song.rate_hz, bus.place, found)
        study_stages(bus.chain.placed(), here, partial(heard, name), announce)
    return found


def study_stages(
    placed: Placed, here: Context, hear: Callable[[Placed], Iterable[Audio]], announce: Announce
) -> None:
    """Run the studies of stages in a row, and add what they find to the facts of `here`.

    `hear` gives the bus behind the stages it is given, from the song's start.
    """
    for where, before, stage in in_order(placed):
        context = here.at(where)
        if stage.when is not None:
            _run(MeterStudy(here.rate_hz, stage.when.measure), context, [hear(before)], announce)
        study = stage.study(context) if context.wants(stage) else None
        if study is not None:
            taps = [hear(before)]
            if study.hears_after:
                taps.append(hear([*before, (where, stage)]))
            _run(study, context, taps, announce)


def _run(study: Study, context: Context, taps: list[Iterable[Audio]], announce: Announce) -> None:
    announce(f"listening to the song before {context.place}")
    for blocks in zip(*taps, strict=True):
        study.feed(blocks[0], blocks[1] if len(blocks) > 1 else None)
    assert isinstance(context.facts, dict)
    context.facts.setdefault(context.place, {}).update(study.facts())


def in_order(placed: Placed, before: Placed = ()) -> Iterator[tuple[str, list[tuple[str, Stage]], Stage]]:
    """Each stage in the order in which it is planned, inner ones too: its step, those before it, itself."""
    for n, (where, stage) in enumerate(placed):
        ahead = [*before, *placed[:n]]
        yield where, ahead, stage
        for step, stages in stage.inner():
            inner = [(f"{where}.{step}.stages[{k}]", each) for k, each in enumerate(stages)]
            yield from in_order(inner, ahead)
