"""Stages one after the other: what a chain, and each branch of a composite, is made of."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from busproc.stages.base import Audio, Stage
from busproc.stages.context import Context
from busproc.stages.observe import Spot
from busproc.stages.treatments import DelayLine

Placed = Sequence[tuple[str, Stage]]
"""Stages, each with the step of the JSON path that leads to it."""


@dataclass(frozen=True)
class Step:
    """A stage, planned, in its place. `plan` is none where its condition does not hold."""

    stage: Stage
    context: Context
    plan: Any
    arrival_frames: int


@dataclass(frozen=True)
class SeriesPlan:
    """Planned stages, and what they add up to."""

    steps: tuple[Step, ...]
    latency_frames: int
    tail_frames: int


@dataclass
class SeriesState:
    """State of each stage, and the keys that wait until the sound they belong to arrives there."""

    lanes: int
    stages: list[Any]
    keys: list[dict[str, DelayLine]]


def plan_series(stages: Placed, context: Context) -> SeriesPlan:
    """Plan stages in order."""
    steps = []
    latency = tail = 0
    for where, stage in stages:
        here = context.at(where, latency)
        plan = stage.plan(here) if here.wants(stage) else None
        steps.append(Step(stage, here, plan, latency))
        if plan is not None:
            latency += plan.latency_frames
            tail += plan.tail_frames
    return SeriesPlan(tuple(steps), latency, tail)


def start_series(plan: SeriesPlan, lanes: int, *, watched: bool = True) -> SeriesState:
    """Make a fresh state; without `watched` nothing is kept for the log, and no record can be made."""
    return SeriesState(
        lanes,
        stages=list(_start_stages(plan, lanes, watched=watched)),
        keys=[
            {key.name: DelayLine(step.arrival_frames, (2,)) for _, key in step.stage.key_inputs()}
            for step in plan.steps
        ],
    )


def _start_stages(plan: SeriesPlan, lanes: int, *, watched: bool) -> Iterator[Any]:
    """Start each stage at the spot where the one before has left its sound."""
    spot: Spot | None = None
    for step in plan.steps:
        if step.plan is None:
            yield None
            continue
        state = step.stage.start(step.plan, lanes, step.context, watched=watched, entrance=spot)
        spot = state.exit
        yield state


def process_series(plan: SeriesPlan, state: SeriesState, lanes: Audio, keys: Mapping[str, Audio]) -> Audio:
    """Run one block of `lanes (frames, lanes, 2)`; `keys (frames, 2)` are in step with the entrance."""
    if lanes.shape[1:] != (state.lanes, 2):
        raise ValueError(f"lanes must be (frames, {state.lanes}, 2) as started, not {lanes.shape}")
    for step, inner, lines in zip(plan.steps, state.stages, state.keys, strict=True):
        if step.plan is not None:
            arrived = {name: line.push(keys[name]) for name, line in lines.items()}
            lanes = step.stage.process(step.plan, inner, lanes, arrived)
    return lanes


def record_series(plan: SeriesPlan, state: SeriesState) -> list[dict[str, Any]]:
    """Tell what each stage did, for the decision log."""
    return [
        step.stage.record(step.plan, inner, step.context) if step.plan is not None else _not_needed(step)
        for step, inner in zip(plan.steps, state.stages, strict=True)
    ]


def _not_needed(step: Step) -> dict[str, Any]:
    when = step.stage.when
    assert when is not None
    measured = step.context.fact(when.measure)
    word, bound = ("above", when.above) if when.above is not None else ("below", when.below)
    found = "has none (silent, or too short)" if measured is None else f"has {measured:.2f}"
    return {
        "place": step.context.place,
        "stage": step.stage.tag,
        **({"name": step.stage.name} if step.stage.name else {}),
        "settings": step.stage.settings(),
        "verdict": "not needed",
        "why": f"Wanted only where {when.measure} is {word} {bound:g}; here the bus {found}.",
    }
