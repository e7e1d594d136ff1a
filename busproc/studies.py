"""Running the studies of stages in a row, each behind the stages that come before it."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator

import numpy as np

from busproc.stages.base import Audio, Stage
from busproc.stages.context import Context
from busproc.stages.series import Placed
from busproc.stages.study import MeterStudy, Study

Announce = Callable[[str], None]


def study_stages(
    placed: Placed, here: Context, hear: Callable[[Placed], Iterable[Audio]], announce: Announce
) -> None:
    """Run the studies in chain order, and add what they find to the facts of `here`.

    Parameters
    ----------
    placed
        The stages, each with the step that leads to it.
    here
        Context of the bus; its facts grow, so a later study hears earlier stages as they will really run.
    hear
        Gives the bus `(frames, 2)` behind the stages it is given, from the song's start, in blocks.
    announce
        Told what is being done, again and again while it is.
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
    nothing = np.zeros((0, 2))  # a tap behind a late stage may come in other blocks, and in one more
    for blocks in itertools.zip_longest(*taps, fillvalue=nothing):
        announce(f"listening to the song before {context.place}")
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
            entrance = stage.entrance(step)
            yield from in_order(inner, ahead if entrance is None else [*ahead, (where, entrance)])
