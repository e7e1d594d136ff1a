"""What a number of answers proves: exact binomial tests, what they would have found, how sure they are."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import Literal

LEVEL = 0.05
"""The chance at which a listener who hears nothing may be believed, over all comparisons of one kind."""

SKILL = 0.8
"""How often the listener is right, or chooses the same, whom a test should find."""

COUNTS = (*range(5, 21), 25, 30, 50)
"""How many trials a comparison may have."""

Sides = Literal[1, 2]


@dataclass(frozen=True)
class BinomialTest:
    """An exact test of answers that are a coin's when nothing is heard.

    Of several comparisons each must pass at `LEVEL` divided by their number. Going through them in the order
    of their p-values (Holm) holds the same level and finds a little more, but then the count that one needs
    hangs on how the others came out. Divided, it is fixed before the first trial like the number of trials,
    and `power` is what the test finds, not a bound of it.

    Attributes
    ----------
    trials
        Their number, fixed beforehand: who stops when it looks good passes more often than he should.
    sides
        1 where only many hits count (a hidden sound found); 2 where few count as well (a preference).
    comparisons
        How many are tested together.

    Source: exact binomial distribution; interval of Clopper and Pearson, Biometrika 26 (1934) 404-413
    (the citation from memory).

    Examples
    --------
    >>> test = BinomialTest(16, sides=1)
    >>> test.needed, round(test.p_value(12), 4), round(test.power(), 2)
    (12, 0.0384, 0.8)
    """

    trials: int
    sides: Sides
    comparisons: int = 1

    @property
    def level(self) -> float:
        """What a p-value must be under."""
        return LEVEL / self.comparisons

    @property
    def needed(self) -> int:
        """The fewest hits that pass; `trials + 1` where not even all would."""
        return _needed(self.trials, self.sides, self.level)

    @property
    def confidence(self) -> float:
        """That of the interval: the test's own, so the interval leaves out 1/2 where the test is passed."""
        return 1 - 2 * self._tail

    def p_value(self, hits: int) -> float:
        """How likely a coin does as well, not yet corrected for other comparisons."""
        return _p_value(hits, self.trials, self.sides)

    def p_corrected(self, hits: int) -> float:
        """The p-value times the number of comparisons, to be held against `LEVEL` itself."""
        return min(1.0, self.comparisons * self.p_value(hits))

    def power(self, skill: float = SKILL) -> float:
        """How likely someone passes who makes a hit with probability `skill` in each trial."""
        return math.fsum(
            math.comb(self.trials, k) * skill**k * (1 - skill) ** (self.trials - k)
            for k in range(self.needed, self.trials + 1)
        )

    def interval(self, hits: int) -> tuple[float, float]:
        """Between what the true share of hits may lie (Clopper and Pearson)."""
        from scipy.special import betaincinv

        misses = self.trials - hits
        low = float(betaincinv(hits, misses + 1, self._tail)) if hits else 0.0
        high = float(betaincinv(hits + 1, misses, 1 - self._tail)) if misses else 1.0
        return low, high

    @property
    def _tail(self) -> float:
        return self.level / self.sides


@functools.cache
def _needed(trials: int, sides: Sides, level: float) -> int:
    enough = (k for k in range(trials // 2, trials + 1) if _p_value(k, trials, sides) < level)
    return next(enough, trials + 1)


@functools.cache
def _p_value(hits: int, trials: int, sides: Sides) -> float:
    """Whole numbers up to the one division."""
    extreme = hits if sides == 1 else max(hits, trials - hits)
    ways = sum(math.comb(trials, k) for k in range(extreme, trials + 1))
    return min(1.0, sides * ways / (1 << trials))
