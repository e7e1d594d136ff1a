"""Paths side by side, each with its own stages and level, in step to the frame: what composites share."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any

import numpy as np
from pydantic import Field

from busproc.measure.level import LevelTally
from busproc.settings import Settings
from busproc.stages.base import Audio, Key, Stage
from busproc.stages.context import Context
from busproc.stages.observe import Spot
from busproc.stages.series import (
    SeriesPlan,
    SeriesState,
    plan_series,
    process_series,
    record_series,
    start_series,
)
from busproc.stages.treatments import DelayLine, Treatment

if TYPE_CHECKING:
    from busproc.stages import AnyStage  # noqa: TC004 - known only once every stage has been imported

Level = Annotated[float, Field(ge=-80, le=24, strict=True)]


class Path(Settings):
    """Stages of their own between where paths part and where they meet."""

    stages: tuple[AnyStage, ...] = ()
    """What it runs, in order."""


@dataclass(frozen=True)
class PathPlan:
    """What a path begins with, its stages, and its gain; none where it is left out of the sum."""

    step: str
    level_db: float | None
    entrance: Treatment | None
    series: SeriesPlan

    @property
    def latency_frames(self) -> int:
        """Entrance and stages."""
        return self.series.latency_frames + (self.entrance.latency_frames if self.entrance else 0)


@dataclass(frozen=True)
class CompositePlan:
    """Planned paths; the slowest sets the latency."""

    paths: tuple[PathPlan, ...]

    @property
    def latency_frames(self) -> int:
        """That of the slowest path."""
        return max((path.latency_frames for path in self.paths), default=0)

    @property
    def tail_frames(self) -> int:
        """The longest."""
        return max((path.series.tail_frames for path in self.paths), default=0)


@dataclass
class PathState:
    """What one path remembers."""

    entrance: Any
    series: SeriesState
    keys: dict[str, DelayLine]
    wait: DelayLine
    level: LevelTally


@dataclass
class CompositeState:
    """What all paths remember, and the spots around them."""

    paths: list[PathState]
    entrance: Spot
    exit: Spot
    feeds_entrance: bool
    watched: bool

    @property
    def before(self) -> LevelTally:
        """Level as it came."""
        return self.entrance.level

    @property
    def after(self) -> LevelTally:
        """Level as it left."""
        return self.exit.level


class Composite(Stage):
    """Decides nothing: its inner stages do. A child tells its paths and what each begins with."""

    @abstractmethod
    def paths(self) -> Sequence[tuple[str, float | None, tuple[Stage, ...]]]:
        """Each path: the step of the JSON path that leads to it, its level, its stages."""

    def entrances(self, context: Context) -> Sequence[Treatment | None]:  # noqa: ARG002
        """What each path begins with."""
        return [None] * len(self.paths())

    @abstractmethod
    def verdict(self, plan: CompositePlan, state: CompositeState) -> tuple[str, str]:
        """Judge what became of the bus: a word and a sentence."""

    def key_inputs(self) -> Iterator[tuple[str, Key]]:
        """Keys of all inner stages."""
        for step, stages in self.inner():
            for n, stage in enumerate(stages):
                for where, key in stage.key_inputs():
                    yield f"{step}.stages[{n}].{where}", key

    def inner(self) -> Iterator[tuple[str, tuple[Stage, ...]]]:
        """The paths' stages, of those that have any."""
        for step, _, stages in self.paths():
            if step:
                yield step, stages

    def plan(self, context: Context) -> CompositePlan:
        """Plan each path."""
        made = []
        for (step, level_db, stages), entrance in zip(self.paths(), self.entrances(context), strict=True):
            later = entrance.latency_frames if entrance else 0
            placed = [(f"stages[{n}]", stage) for n, stage in enumerate(stages)]
            made.append(PathPlan(step, level_db, entrance, plan_series(placed, context.at(step, later))))
        return CompositePlan(tuple(made))

    def start(
        self,
        plan: CompositePlan,
        lanes: int,
        context: Context,
        *,
        watched: bool = True,
        entrance: Spot | None = None,
    ) -> CompositeState:
        """Start each path and the delay that brings it into step."""
        return CompositeState(
            [self._start_path(path, plan.latency_frames, lanes, watched=watched) for path in plan.paths],
            entrance or Spot(context.rate_hz),
            Spot(context.rate_hz),
            feeds_entrance=entrance is None,
            watched=watched,
        )

    def _start_path(self, path: PathPlan, latency_frames: int, lanes: int, *, watched: bool) -> PathState:
        late = path.entrance.latency_frames if path.entrance else 0
        names = {key.name for step in path.series.steps for _, key in step.stage.key_inputs()}
        return PathState(
            entrance=path.entrance.start(lanes) if path.entrance else None,
            series=start_series(path.series, lanes, watched=watched),
            keys={name: DelayLine(late, (2,)) for name in sorted(names)},
            wait=DelayLine(latency_frames - path.latency_frames, (lanes, 2)),
            level=LevelTally(),
        )

    def process(
        self, plan: CompositePlan, state: CompositeState, lanes: Audio, keys: Mapping[str, Audio]
    ) -> Audio:
        """Sum the paths in the order of the file."""
        total = np.zeros_like(lanes)
        for n, (path, memory) in enumerate(zip(plan.paths, state.paths, strict=True)):
            sound = path.entrance.apply(memory.entrance, None, lanes) if path.entrance else lanes
            arrived = {name: line.push(keys[name]) for name, line in memory.keys.items()}
            sound = memory.wait.push(process_series(path.series, memory.series, sound, arrived))
            out = sound * (0.0 if path.level_db is None else 10 ** (path.level_db / 20))
            if state.watched:
                memory.level.feed(np.ascontiguousarray(out[:, 0]))
            total = total + out if n else out
        if state.watched and state.feeds_entrance:
            state.entrance.feed(np.ascontiguousarray(lanes[:, 0]))
        if state.watched:
            state.exit.feed(np.ascontiguousarray(total[:, 0]))
        return total

    def record(self, plan: CompositePlan, state: CompositeState, context: Context) -> dict[str, Any]:
        """Tell how loud each path came back, and what its stages did."""
        branches = [
            {
                "step": path.step,
                "level_db": path.level_db,
                "returned_dbfs": memory.level.as_dict()["rms_dbfs"],
                "decisions": record_series(path.series, memory.series),
            }
            for path, memory in zip(plan.paths, state.paths, strict=True)
            if path.step
        ]
        word, why = self.verdict(plan, state)
        return {
            "place": context.place,
            "stage": self.tag,
            **({"name": self.name} if self.name else {}),
            "settings": self.own_settings(),
            "latency_frames": plan.latency_frames,
            "before": state.before.as_dict(),
            "after": state.after.as_dict(),
            "branches": branches,
            "verdict": word,
            "why": why,
        }

    @abstractmethod
    def own_settings(self) -> dict[str, Any]:
        """Settings that are not the inner stages'."""
