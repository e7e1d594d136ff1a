"""What counts as better, written in a fixed vocabulary."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from busproc.settings import Settings

Amount = Annotated[float, Field(ge=-200, le=200, strict=True)] | None

Figure = Literal[
    "transient_to_body_db",
    "crest_factor_db",
    "peak_to_short_term_db",
    "loudness_range_lu",
    "reduction_db",
    "residue_db",
    "thd_db",
    "width_db",
    "mono_loss_db",
    "spectrum_distance_db",
    "dynamics_distance_db",
    "width_distance_db",
    "distance_db",
]
"""What a goal may speak of."""

DISTANCES: tuple[str, ...] = ("spectrum_distance_db", "dynamics_distance_db", "width_distance_db")
"""Parts of the distance to the reference."""


class Amounts(Settings):
    """A number for one or more figures."""

    transient_to_body_db: Amount = None
    """How far attacks stand above what follows them."""
    crest_factor_db: Amount = None
    """Peak over RMS."""
    peak_to_short_term_db: Amount = None
    """True peak over the highest short-term loudness."""
    loudness_range_lu: Amount = None
    """Loudness range (EBU Tech 3342)."""
    reduction_db: Amount = None
    """Gain reduction of all stages together, 95th percentile."""
    residue_db: Amount = None
    """What no linear filter of the untouched input explains, against the programme."""
    thd_db: Amount = None
    """Harmonics added to a sine at the programme's 95th-percentile level, against the sine."""
    width_db: Amount = None
    """Side against mid."""
    mono_loss_db: Amount = None
    """Level lost when both sides are summed to one."""
    spectrum_distance_db: Amount = None
    """Distance to the reference: spectrum by third octave."""
    dynamics_distance_db: Amount = None
    """Distance to the reference: dynamics."""
    width_distance_db: Amount = None
    """Distance to the reference: width."""
    distance_db: Amount = None
    """The parts of the distance together, by the `weights` of the shootout."""

    def given(self) -> dict[str, float]:
        """The figures that have a number."""
        return {key: value for key, value in self.model_dump().items() if value is not None}


def _bounds(amounts: Amounts) -> Amounts:
    below = [key for key, value in amounts.given().items() if value < 0]
    if below:
        raise ValueError(f"how far a figure may move is 0 or more, also for {', '.join(below)}")
    return amounts


def _one_figure(amounts: Amounts) -> Amounts:
    if len(amounts.given()) != 1:
        raise ValueError(f"give one figure, not {len(amounts.given())}")
    return amounts


class Goal(Settings):
    """What counts as better: one figure raised, lowered or brought near a value, others kept."""

    raise_: Annotated[Figure | None, Field(alias="raise")] = None
    """The figure that is to be as high as can be."""
    lower: Figure | None = None
    """The figure that is to be as low as can be."""
    near: Annotated[Amounts, AfterValidator(_one_figure)] | None = None
    """The figure that is to come near a value, and the value."""
    keep: Annotated[Amounts, AfterValidator(_bounds)] = Amounts()
    """How far other figures may move from those of the untouched input, up or down, in every song."""

    @model_validator(mode="after")
    def _one_wish(self) -> Self:
        if sum(wish is not None for wish in (self.raise_, self.lower, self.near)) != 1:
            raise ValueError("give exactly one of raise, lower and near")
        return self

    @property
    def figure(self) -> str:
        """The figure it is about."""
        if self.near is not None:
            return next(iter(self.near.given()))
        return str(self.raise_ or self.lower)

    def figures(self) -> dict[str, str]:
        """Every figure that it speaks of, with the key where it does."""
        wish = "near" if self.near is not None else "raise" if self.raise_ else "lower"
        return {self.figure: wish} | {key: f"keep.{key}" for key in self.keep.given()}


class Weights(Settings):
    """How much each part of the distance to the reference counts in `distance_db`, their weighted mean."""

    spectrum_distance_db: Annotated[float, Field(ge=0, le=1000, strict=True)] = 0.0
    """Weight of the spectrum."""
    dynamics_distance_db: Annotated[float, Field(ge=0, le=1000, strict=True)] = 0.0
    """Weight of the dynamics."""
    width_distance_db: Annotated[float, Field(ge=0, le=1000, strict=True)] = 0.0
    """Weight of the width."""

    @model_validator(mode="after")
    def _weigh_something(self) -> Self:
        if not any(self.model_dump().values()):
            raise ValueError("at least one weight must be above 0")
        return self
