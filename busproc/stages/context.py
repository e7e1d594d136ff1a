"""What a stage may know before it hears anything: rate, place, facts of the whole song, a condition."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Annotated, Any, Literal, Protocol, Self

from pydantic import Field, model_validator

from busproc.errors import RenderError
from busproc.settings import Settings

Facts = Mapping[str, Mapping[str, Any]]


class Condition(Settings):
    """When a stage is wanted at all: a measure of the whole bus at its entrance, and one bound."""

    measure: Literal[
        "integrated_lufs",
        "short_term_max_lufs",
        "momentary_max_lufs",
        "loudness_range_lu",
        "true_peak_dbtp",
        "sample_peak_dbfs",
        "rms_dbfs",
        "crest_factor_db",
        "correlation",
    ]
    """What is measured over the whole song."""
    above: Annotated[float, Field(ge=-200, le=200, strict=True)] | None = None
    """The stage works only where the measure is above this, in the measure's unit."""
    below: Annotated[float, Field(ge=-200, le=200, strict=True)] | None = None
    """The stage works only where the measure is below this, in the measure's unit."""

    @model_validator(mode="after")
    def _one_bound(self) -> Self:
        if (self.above is None) == (self.below is None):
            raise ValueError("give exactly one of above and below")
        return self

    def holds(self, measured: float | None) -> bool:
        """Tell whether the condition is met; a measure that does not exist (silence) meets none."""
        if measured is None:
            return False
        if self.above is not None:
            return measured > self.above
        return self.below is not None and measured < self.below


class Conditional(Protocol):
    """What may have a condition."""

    @property
    def when(self) -> Condition | None:
        """The condition; none for always."""


@dataclass(frozen=True)
class Context:
    """What planning may know: the rate, where the stage stands, and facts found in earlier passes.

    `arrival_frames` is how late the bus already is when it reaches the stage. Without facts (None)
    every condition is taken to hold: enough to check a chain, not to run one with conditions. With
    `bends_apart` contributions are bent each on its own, and then no longer add up.
    """

    rate_hz: int
    place: str = ""
    facts: Facts | None = field(default_factory=dict)
    arrival_frames: int = 0
    bends_apart: bool = False

    def at(self, step: str, later_frames: int = 0) -> Context:
        """Context of something inside, reached by `step`, `later_frames` after the outer entrance."""
        place = f"{self.place}.{step}" if self.place else step
        return replace(self, place=place, arrival_frames=self.arrival_frames + later_frames)

    def wants(self, stage: Conditional) -> bool:
        """Whether the condition of the stage in this place holds."""
        return stage.when is None or self.facts is None or stage.when.holds(self.fact(stage.when.measure))

    def known(self, name: str, otherwise: Any = None) -> Any:
        """A fact about this place, or something else where it has not been found (yet)."""
        return (self.facts or {}).get(self.place, {}).get(name, otherwise)

    def fact(self, name: str) -> float | None:
        """A fact about this place, found by an earlier pass."""
        try:
            found: float | None = (self.facts or {})[self.place][name]
        except KeyError:
            raise RenderError(
                f"{self.place}: {name} has not been measured; facts come from busproc.render"
            ) from None
        return found
