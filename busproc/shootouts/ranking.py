"""Variations held against a goal: what each gains, what it breaks, in which order, the Pareto set."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from busproc.shootouts.goal import Goal, Weights

Figures = Mapping[str, float | None]
"""Figures by name; None for one that could not be measured."""
BySong = Mapping[str, Figures]
"""Figures of one variation by song."""

ROUNDING = 1e-9
"""What subtraction may add to figures of two or three digits."""


@dataclass(frozen=True)
class Kept:
    """How far a figure that is to be kept has moved from that of the untouched input."""

    figure: str
    allowed: float
    moved: float | None
    """In the song where it moved furthest, up (+) or down (-); None where it could not be measured."""
    song: str
    """That song."""

    @property
    def over(self) -> float:
        """How much further than allowed; infinite where nobody knows."""
        if self.moved is None:
            return math.inf
        beyond = abs(self.moved) - self.allowed
        return beyond if beyond > ROUNDING else 0.0

    def in_words(self) -> str:
        """What became of the promise, in a sentence."""
        if self.moved is None:
            return f"{self.figure} could not be measured in {self.song}."
        told = f"{self.figure} moved by {self.moved:+.2f} in {self.song}"
        return f"{told}, {self.over:.2f} over the {self.allowed:g} allowed." if self.over else f"{told}."


@dataclass(frozen=True)
class Judged:
    """A variation by the goal, apart from all others."""

    value: float | None
    """The goal's figure, mean over the songs; None where one of them could not be measured."""
    merit: float | None
    """The higher the better: the figure raised, its opposite lowered, or how near it came, below 0."""
    better_by: float | None
    """By how much it comes closer to the goal than the untouched input does; below 0 it is worse."""
    kept: tuple[Kept, ...]

    @property
    def over(self) -> float:
        """How much further than allowed figures have moved, all together."""
        return sum(kept.over for kept in self.kept)

    @property
    def keeps(self) -> bool:
        """Whether every figure that is to be kept is kept, in every song."""
        return self.over == 0

    @property
    def order(self) -> tuple[bool, float, float]:
        """Lower comes first: what was measured; what keeps most; what comes closest to the goal.

        So a variation that breaks a promise never comes before one that keeps all (feasibility rules,
        Deb 2000, from memory).
        """
        return self.merit is None, self.over, -(self.merit or 0.0)

    def dominates(self, other: Judged) -> bool:
        """Whether it is nowhere worse and somewhere better, in the goal and in every figure to be kept."""
        mine, theirs = self._costs(), other._costs()
        return mine != theirs and all(a <= b for a, b in zip(mine, theirs, strict=True))

    def is_measured(self) -> bool:
        """Whether nothing that the goal speaks of is unknown."""
        return self.merit is not None and math.isfinite(self.over)

    def _costs(self) -> tuple[float, ...]:
        return (-(self.merit or 0.0), *(abs(kept.moved or 0.0) for kept in self.kept))


@dataclass(frozen=True)
class Ranked:
    """A variation in its place among all."""

    id: str
    place: int
    """From 1; those that are equal share one."""
    judged: Judged
    is_pareto: bool
    """Whether nothing beats it in the goal without moving a figure further that is to be kept."""


def weighted(figures: Figures, weights: Weights | None) -> dict[str, float | None]:
    """Figures with `distance_db`, the weighted mean of the parts, where weights are given.

    >>> weighted({"spectrum_distance_db": 4.0, "width_distance_db": 1.0}, Weights(spectrum_distance_db=1.0))
    {'spectrum_distance_db': 4.0, 'width_distance_db': 1.0, 'distance_db': 4.0}
    """
    if weights is None:
        return dict(figures)
    counted = {part: weight for part, weight in weights.model_dump().items() if weight > 0}
    parts = [(figures.get(part), weight) for part, weight in counted.items()]
    known = [value * weight for value, weight in parts if value is not None]
    distance = sum(known) / sum(counted.values()) if len(known) == len(parts) else None
    return {**figures, "distance_db": distance}


def judge(figures: BySong, goal: Goal, control: BySong) -> Judged:
    """Hold one variation against the goal.

    Parameters
    ----------
    figures
        Of the variation, by song.
    goal
        What counts as better. Its own figure counts by its mean over the songs (for `near`: the mean of the
        distances); a figure to be kept by the song in which it moved furthest.
    control
        Figures of the untouched input, by the same songs.
    """
    values = _all_known([each.get(goal.figure) for each in figures.values()])
    merit, start = _merit(figures, goal), _merit(control, goal)
    return Judged(
        value=None if values is None else math.fsum(values) / len(values),
        merit=merit,
        better_by=None if merit is None or start is None else merit - start,
        kept=tuple(_kept(figures, control, figure, allowed) for figure, allowed in goal.keep.given().items()),
    )


def _merit(figures: BySong, goal: Goal) -> float | None:
    values = _all_known([each.get(goal.figure) for each in figures.values()])
    if values is None:
        return None
    if goal.near is not None:
        wanted = goal.near.given()[goal.figure]
        values = [-abs(value - wanted) for value in values]
    mean = math.fsum(values) / len(values)
    return -mean if goal.lower is not None else mean


def _all_known(values: Sequence[float | None]) -> list[float] | None:
    known = [value for value in values if value is not None]
    return known if known and len(known) == len(values) else None


def _kept(figures: BySong, control: BySong, figure: str, allowed: float) -> Kept:
    """The song in which a figure moved furthest; one where it is unknown comes before all."""
    moves = [Kept(figure, allowed, _moved(figures[song], control[song], figure), song) for song in figures]
    return max(moves, key=lambda kept: math.inf if kept.moved is None else abs(kept.moved))


def _moved(figures: Figures, control: Figures, figure: str) -> float | None:
    value, start = figures.get(figure), control.get(figure)
    return None if value is None or start is None else value - start


def rank(figures: Mapping[str, BySong], goal: Goal, control: BySong) -> list[Ranked]:
    """Put variations in order, best first.

    Parameters
    ----------
    figures
        By the variation's id, then by song.
    goal, control
        As for `judge`. The untouched input may also be among the variations.

    Returns
    -------
    list of Ranked
        First those that keep what is to be kept, the closest to the goal before the others; then those that
        do not, the least violation first; last those that could not be measured. The result does not depend
        on the order of `figures`.
    """
    judged = {each: judge(by_song, goal, control) for each, by_song in figures.items()}
    best_first = sorted(judged, key=lambda each: (judged[each].order, each))
    orders = [judged[each].order for each in best_first]
    measured = [each for each in judged.values() if each.is_measured()]
    return [
        Ranked(
            each,
            place=orders.index(judged[each].order) + 1,
            judged=judged[each],
            is_pareto=judged[each].is_measured() and not any(o.dominates(judged[each]) for o in measured),
        )
        for each in best_first
    ]
