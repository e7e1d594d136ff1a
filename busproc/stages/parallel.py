"""Branches side by side, each with its own stages and level, in step to the frame."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal

import numpy as np
from pydantic import Field

from busproc.measure.level import LevelTally
from busproc.settings import Settings
from busproc.stages.base import Audio, Context, Key, Stage
from busproc.stages.series import (
    SeriesPlan,
    SeriesState,
    plan_series,
    process_series,
    record_series,
    start_series,
)
from busproc.stages.treatments import DelayLine

if TYPE_CHECKING:
    from busproc.stages import AnyStage  # noqa: TC004 - known only once every stage has been imported

Level = Annotated[float, Field(ge=-80, le=24, strict=True)]


class Branch(Settings):
    """A copy of the bus with stages of its own."""

    level_db: Level
    """How loud its output is in the sum."""
    stages: tuple[AnyStage, ...] = ()
    """What it runs, in order."""


@dataclass(frozen=True)
class ParallelPlan:
    """Planned branches and the delays that bring them into step."""

    branches: tuple[SeriesPlan, ...]
    latency_frames: int
    tail_frames: int


@dataclass
class ParallelState:
    """State of each branch, and the delay of each and of the dry path."""

    branches: list[SeriesState]
    waits: list[DelayLine]
    dry: DelayLine
    before: LevelTally
    after: LevelTally
    levels: list[LevelTally]


class Parallel(Stage):
    """Blend treated copies of the bus with the bus itself.

    Composite: it decides nothing, its branches' stages do. Latency: that of its slowest branch; the
    others and the dry path wait for it. Tail: the longest. Neutral: no branches.
    Not to be confused with: `mix` of a compressor, which blends within one stage.
    Source: common practice, no source.
    """

    stage: Literal["parallel"] = "parallel"
    neutral: ClassVar = {"branches": (), "dry_db": 0.0}

    branches: Annotated[tuple[Branch, ...], Field(max_length=16)] = ()
    """The copies."""
    dry_db: Level | None = 0.0
    """Level of the untouched bus in the sum; null leaves it out."""

    def key_inputs(self) -> Iterator[tuple[str, Key]]:
        """Keys of all inner stages."""
        for step, stages in self.inner():
            for n, stage in enumerate(stages):
                for where, key in stage.key_inputs():
                    yield f"{step}.stages[{n}].{where}", key

    def inner(self) -> Iterator[tuple[str, tuple[Stage, ...]]]:
        """The branches' stages."""
        for k, branch in enumerate(self.branches):
            yield f"branches[{k}]", branch.stages

    def plan(self, context: Context) -> ParallelPlan:
        """Plan each branch."""
        plans = tuple(
            plan_series([(f"stages[{n}]", stage) for n, stage in enumerate(stages)], context.at(step))
            for step, stages in self.inner()
        )
        return ParallelPlan(
            branches=plans,
            latency_frames=max((plan.latency_frames for plan in plans), default=0),
            tail_frames=max((plan.tail_frames for plan in plans), default=0),
        )

    def start(self, plan: ParallelPlan, lanes: int, context: Context) -> ParallelState:  # noqa: ARG002
        """Start each branch and each delay."""
        shape = (lanes, 2)
        return ParallelState(
            branches=[start_series(branch, lanes) for branch in plan.branches],
            waits=[DelayLine(plan.latency_frames - b.latency_frames, shape) for b in plan.branches],
            dry=DelayLine(plan.latency_frames, shape),
            before=LevelTally(),
            after=LevelTally(),
            levels=[LevelTally() for _ in plan.branches],
        )

    def process(
        self, plan: ParallelPlan, state: ParallelState, lanes: Audio, keys: Mapping[str, Audio]
    ) -> Audio:
        """Sum dry and branches in the order of the file."""
        dry = state.dry.push(lanes)
        total = dry * _gain(self.dry_db) if self.dry_db is not None else np.zeros_like(lanes)
        parts = zip(self.branches, plan.branches, state.branches, state.waits, state.levels, strict=True)
        for branch, inner_plan, inner_state, wait, level in parts:
            out = wait.push(process_series(inner_plan, inner_state, lanes, keys)) * _gain(branch.level_db)
            level.feed(np.ascontiguousarray(out[:, 0]))
            total = total + out
        state.before.feed(np.ascontiguousarray(lanes[:, 0]))
        state.after.feed(np.ascontiguousarray(total[:, 0]))
        return total

    def record(self, plan: ParallelPlan, state: ParallelState, context: Context) -> dict[str, Any]:
        """Tell how loud each branch came back, and what its stages did."""
        branches = [
            {
                "level_db": branch.level_db,
                "returned_dbfs": tally.as_dict()["rms_dbfs"],
                "decisions": record_series(inner_plan, inner_state),
            }
            for branch, inner_plan, inner_state, tally in zip(
                self.branches, plan.branches, state.branches, state.levels, strict=True
            )
        ]
        word, why = self._verdict(state)
        return {
            "place": context.place,
            "stage": self.tag,
            **({"name": self.name} if self.name else {}),
            "settings": {"dry_db": self.dry_db},
            "latency_frames": plan.latency_frames,
            "before": state.before.as_dict(),
            "after": state.after.as_dict(),
            "branches": branches,
            "verdict": word,
            "why": why,
        }

    def _verdict(self, state: ParallelState) -> tuple[str, str]:
        if not self.branches:
            return "left alone", "0 branches: only the bus itself passes."
        before, after = state.before.rms_dbfs, state.after.rms_dbfs
        if before is None or after is None:
            return "left alone", "Nothing sounded, 0 dB changed."
        loudest = max((tally.rms_dbfs for tally in state.levels if tally.rms_dbfs is not None), default=None)
        under = "silent" if loudest is None else f"{loudest - before:+.1f} dB against the bus"
        word = "slight" if loudest is None or loudest - before < -30 else "worked"
        count = "1 branch" if len(self.branches) == 1 else f"{len(self.branches)} branches, the loudest"
        return word, f"{count} came back at {under}; the sum changed by {after - before:+.2f} dB."


def _gain(level_db: float) -> float:
    return float(10 ** (level_db / 20))
