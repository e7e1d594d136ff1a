"""A search within ranges for the goal: points spread evenly, then downhill from the best of them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.stats import qmc

from busproc.shootouts.drafts import spread
from busproc.shootouts.goal import Goal
from busproc.shootouts.ranking import BySong, Judged, judge
from busproc.shootouts.settings import Refine

Point = NDArray[np.float64]
Objective = Callable[[Mapping[str, float]], BySong]

SMALLEST = 0.005
"""A gain that the second decimal of a figure does not show is none."""
PENALTY = 10.0
"""What a violation costs the search for each dB or LU, in units of the goal's figure."""
UNMEASURED = 1e6
"""Cost of what could not be measured."""
FIRST_STEP = 0.2
"""Edge of the first simplex, as a part of each range."""
LAST_STEP = 2e-3
"""A simplex smaller than this is done, and the search begins anew elsewhere."""


@dataclass(frozen=True)
class Try:
    """One setting that was rendered."""

    number: int
    values: Mapping[str, float]
    judged: Judged


@dataclass(frozen=True)
class Refined:
    """What a search has found."""

    best: Try
    tries: tuple[Try, ...]
    """All that was rendered, in order."""
    budget: int
    seed: int

    @property
    def is_better(self) -> bool:
        """Whether the best keeps what is to be kept and comes closer to the goal than the untouched input."""
        better_by = self.best.judged.better_by
        return self.best.judged.keeps and better_by is not None and better_by > SMALLEST

    def in_words(self) -> str:
        """The outcome in a sentence or two."""
        judged, count = self.best.judged, len(self.tries)
        effort = f"{count} of at most {self.budget} settings tried, seed {self.seed}."
        if judged.better_by is None:
            return f"Nothing found: the goal's figure could not be measured. {effort}"
        if not judged.keeps:
            broken = " ".join(kept.in_words() for kept in judged.kept if kept.over)
            return f"Nothing found: every setting breaks a promise, at best this: {broken} {effort}"
        if not self.is_better:
            return f"Nothing found: the best is no better than the untouched input. {effort}"
        told = (
            f"Try {self.best.number} is {judged.better_by:.2f} closer to the goal than the untouched input."
        )
        return f"{told} {effort}"


class _Spent(Exception):  # noqa: N818
    """The budget is used up."""


class _Search:
    """Tries points of the unit cube, each setting once, and counts."""

    def __init__(self, objective: Objective, settings: Refine, goal: Goal, control: BySong) -> None:
        self.objective, self.settings, self.goal, self.control = objective, settings, goal, control
        self.tries: dict[tuple[float, ...], Try] = {}

    def cost(self, point: Point) -> float:
        """What a point costs; lower is better."""
        judged = self._tried(point).judged
        if not judged.is_measured() or judged.merit is None:
            return UNMEASURED
        return PENALTY * judged.over - judged.merit

    def _tried(self, point: Point) -> Try:
        values = spread(self.settings.ranges, np.clip(point, 0.0, 1.0).tolist())
        known = self.tries.get(tuple(values.values()))
        if known is not None:
            return known
        if len(self.tries) >= self.settings.budget:
            raise _Spent
        judged = judge(self.objective(values), self.goal, self.control)
        made = Try(len(self.tries) + 1, values, judged)
        self.tries[tuple(values.values())] = made
        return made


def refine(objective: Objective, settings: Refine, goal: Goal, control: BySong) -> Refined:
    """Search within ranges for the setting that comes closest to a goal.

    A third of the budget goes to points of a scrambled Sobol sequence. From the best of them the simplex
    method of Nelder and Mead (1965) goes downhill; when it is done and tries are left, it begins anew from
    the next best. What may not move further is held by a penalty on the violation.

    Parameters
    ----------
    objective
        Renders the chain with these values by path; gives the figures by song.
    settings
        Ranges, budget and seed.
    goal
        What counts as better.
    control
        Figures of the untouched input, by the same songs.

    Returns
    -------
    Refined
        The best, and all that was tried: at most `budget` settings, none of them twice. The same seed and
        objective give the same search.
    """
    search = _Search(objective, settings, goal, control)
    settings_count = len(settings.ranges)
    starts = _even(settings_count, _first_count(settings.budget, settings_count), settings.seed)
    try:
        costs = [search.cost(point) for point in starts]
        for n in np.argsort(costs, kind="stable"):
            _downhill(search, starts[n])
    except _Spent:
        pass
    tries = tuple(search.tries.values())
    best = min(tries, key=lambda each: (each.judged.order, each.number))
    return Refined(best, tries, settings.budget, settings.seed)


def _first_count(budget: int, settings_count: int) -> int:
    """Points to begin with: a third of the budget, at least one more than there are settings."""
    return min(budget, max(budget // 3, settings_count + 1))


def _even(settings_count: int, count: int, seed: int) -> Point:
    sequence = qmc.Sobol(settings_count, scramble=True, rng=seed)
    points: Point = sequence.random_base2((count - 1).bit_length())[:count]
    return points


def _downhill(search: _Search, start: Point) -> None:
    inwards = np.where(start < 0.5, FIRST_STEP, -FIRST_STEP)
    simplex = np.vstack([start, start + np.diag(inwards)])
    minimize(
        search.cost,
        start,
        method="Nelder-Mead",
        bounds=[(0.0, 1.0)] * len(start),
        options={
            "initial_simplex": simplex,
            "xatol": LAST_STEP,
            "fatol": 1e-4,
            "maxfev": 100 * search.settings.budget,
        },
    )
