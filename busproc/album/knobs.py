"""One number of a chain that can be turned: a setting that is there, or a stage that is put in."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from busproc.chain import Chain
from busproc.changes import changed


@dataclass(frozen=True, kw_only=True)
class Knob(ABC):
    """One number: where it stands, which value to try first, how far it goes, and in which steps."""

    chain: Chain
    start: float
    first: float
    low: float
    high: float
    step: float = 0.1

    def typed(self, value: float) -> float:
        """The nearest value within reach that a person would type."""
        return round(round(min(max(value, self.low), self.high) / self.step) * self.step, 4)

    @abstractmethod
    def turned(self, value: float) -> Chain | None:
        """The chain with this value; None where it does not go."""

    @abstractmethod
    def told(self, value: float) -> dict[str, Any]:
        """For the report: an exception's `set`, where one can say it, and words."""


@dataclass(frozen=True, kw_only=True)
class Setting(Knob):
    """A setting of the shared chain: its path there, and its path in the chain as the song runs it."""

    path: str
    running: str
    value: Callable[[float], Any] = float
    words: Callable[[float], str] | None = None

    def turned(self, value: float) -> Chain | None:
        """Changed as an exception changes it."""
        chain, faults = changed(self.chain, {self.running: self.value(value)})
        return None if faults else chain

    def told(self, value: float) -> dict[str, Any]:
        """The exception, and the same in words."""
        words = self.words(value) if self.words else f"{self.path} = {value:g}"
        return {"set": {self.path: self.value(value)}, "words": words}


@dataclass(frozen=True, kw_only=True)
class Added(Knob):
    """A stage that the shared chain does not have, put in at a place of the chain as the song runs it."""

    at: int
    stage: Callable[[float], Any]
    words: Callable[[float], str]

    def turned(self, value: float) -> Chain:
        """With the stage."""
        stages = list(self.chain.stages)
        stages.insert(self.at, self.stage(value))
        return self.chain.model_copy(update={"stages": tuple(stages)})

    def told(self, value: float) -> dict[str, Any]:
        """In words alone: an exception adds no stage."""
        return {"set": None, "words": self.words(value)}
