"""Branches side by side, each with its own stages and level, in step to the frame."""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field

from busproc.stages.base import Stage
from busproc.stages.composite import Composite, CompositePlan, CompositeState, Level, Path


class Branch(Path):
    """A copy of the bus with stages of its own."""

    level_db: Level
    """How loud its output is in the sum."""


class Parallel(Composite):
    """Blend treated copies of the bus with the bus itself.

    Composite: it decides nothing, its branches' stages do. Latency: that of its slowest branch; the
    others and the dry path wait for it. Tail: the longest. Neutral: no branches.
    Not to be confused with: `mix` of a compressor, which blends within one stage; split, whose paths are
    bands.
    Source: common practice, no source.
    """

    stage: Literal["parallel"] = "parallel"
    neutral: ClassVar = {"branches": (), "dry_db": 0.0}

    branches: Annotated[tuple[Branch, ...], Field(max_length=16)] = ()
    """The copies."""
    dry_db: Level | None = 0.0
    """Level of the untouched bus in the sum; null leaves it out."""

    def paths(self) -> list[tuple[str, float | None, tuple[Stage, ...]]]:
        """The dry path, which no step leads to, and the branches."""
        branches = [(f"branches[{k}]", each.level_db, each.stages) for k, each in enumerate(self.branches)]
        return [("", self.dry_db, ()), *branches]

    def own_settings(self) -> dict[str, Any]:
        """The dry level."""
        return {"dry_db": self.dry_db}

    def verdict(self, plan: CompositePlan, state: CompositeState) -> tuple[str, str]:  # noqa: ARG002
        """Judge by the loudest branch."""
        if not self.branches and self.dry_db == 0:
            return "left alone", "0 branches: only the bus itself passes."
        if not self.branches:
            level = "left out" if self.dry_db is None else f"at {self.dry_db:+g} dB"
            return "worked", f"0 branches, and the bus itself {level}."
        before, after = state.before.rms_dbfs, state.after.rms_dbfs
        if before is None or after is None:
            return "left alone", "Nothing sounded, 0 dB changed."
        levels = [path.level.rms_dbfs for path in state.paths[1:]]
        loudest = max((level for level in levels if level is not None), default=None)
        under = "silent" if loudest is None else f"{loudest - before:+.1f} dB against the bus"
        word = "slight" if loudest is None or loudest - before < -30 else "worked"
        count = "1 branch" if len(self.branches) == 1 else f"{len(self.branches)} branches, the loudest"
        return word, f"{count} came back at {under}; the sum changed by {after - before:+.2f} dB."
