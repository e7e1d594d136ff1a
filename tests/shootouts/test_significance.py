"""Binomial tests against their published table, an independent implementation and whole numbers."""

from __future__ import annotations

from fractions import Fraction
from math import comb

import pytest
from scipy import stats

from busproc.shootouts.significance import COUNTS, BinomialTest

TABLE = [
    (10, 9, 0.01074, 0.05469, 10, 10, 9, 0.376),
    (11, 9, 0.03271, 0.11328, 10, 11, 10, 0.617),
    (12, 10, 0.01929, 0.07300, 11, 12, 10, 0.558),
    (13, 10, 0.04614, 0.13342, 12, 13, 11, 0.747),
    (14, 11, 0.02869, 0.08978, 12, 13, 12, 0.698),
    (15, 12, 0.01758, 0.05923, 13, 14, 12, 0.648),
    (16, 12, 0.03841, 0.10506, 14, 15, 13, 0.798),
    (17, 13, 0.02452, 0.07173, 14, 16, 13, 0.758),
    (18, 13, 0.04813, 0.11894, 15, 16, 14, 0.867),
    (19, 14, 0.03178, 0.08353, 15, 17, 15, 0.837),
    (20, 15, 0.02069, 0.05766, 16, 18, 15, 0.804),
]
"""Trials; needed for p < 0.05, its p, p of one fewer; needed for 0.01 and 0.001; two-sided; 80 % listener.

The counts are those of Roessler, Pangborn, Sidel and Stone, "Expanded statistical tables for estimating
significance in paired-preference, paired-difference, duo-trio and triangle tests", J. Food Science 43 (1978)
940-943, and of ISO 10399 (duo-trio) and ISO 5495 (paired comparison); from memory. The chances are computed.
"""

SMALLER_AND_LARGER = {5: 5, 6: 6, 7: 7, 8: 7, 9: 8, 25: 18, 30: 20, 50: 32}


def chance(hits, trials):
    """Of as many hits or more, in whole numbers."""
    return Fraction(sum(comb(trials, k) for k in range(hits, trials + 1)), 2**trials)


@pytest.mark.parametrize("row", TABLE, ids=lambda row: str(row[0]))
def test_the_published_table(row):
    trials, needed, p, p_of_one_fewer, _, _, two_sided, power = row
    test = BinomialTest(trials, sides=1)
    assert test.needed == needed
    assert test.p_value(needed) == pytest.approx(p, abs=5e-6)
    assert test.p_value(needed - 1) == pytest.approx(p_of_one_fewer, abs=5e-6)
    assert test.power(0.8) == pytest.approx(power, abs=5e-4)
    assert BinomialTest(trials, sides=2).needed == two_sided


@pytest.mark.parametrize("row", TABLE, ids=lambda row: str(row[0]))
def test_stricter_levels_of_the_table_are_those_of_more_comparisons(row):
    trials, _, _, _, at_a_fifth, at_a_fiftieth, _, _ = row
    assert BinomialTest(trials, 1, comparisons=5).needed == at_a_fifth  # 0.01
    assert BinomialTest(trials, 1, comparisons=50).needed == at_a_fiftieth  # 0.001


def test_counts_below_and_above_the_table():
    needed = {trials: BinomialTest(trials, sides=1).needed for trials in SMALLER_AND_LARGER}
    assert needed == SMALLER_AND_LARGER
    assert set(COUNTS) == {*SMALLER_AND_LARGER, *(row[0] for row in TABLE)}


@pytest.mark.parametrize("trials", COUNTS)
def test_p_values_are_the_exact_ones(trials):
    for hits in range(trials + 1):
        exact = chance(hits, trials)
        both = min(Fraction(1), 2 * chance(max(hits, trials - hits), trials))
        assert BinomialTest(trials, sides=1).p_value(hits) == float(exact)
        assert BinomialTest(trials, sides=2).p_value(hits) == float(both)


@pytest.mark.parametrize("sides", [1, 2])
@pytest.mark.parametrize("comparisons", [1, 3])
def test_intervals_agree_with_another_implementation(sides, comparisons):
    test = BinomialTest(16, sides, comparisons)
    for hits in range(17):
        other = stats.binomtest(hits, 16).proportion_ci(test.confidence, method="exact")
        assert test.interval(hits) == pytest.approx((other.low, other.high), abs=1e-9)


@pytest.mark.parametrize("sides", [1, 2])
@pytest.mark.parametrize("comparisons", [1, 4])
@pytest.mark.parametrize("trials", [10, 16, 50])
def test_the_interval_leaves_out_one_half_where_the_test_is_passed(trials, comparisons, sides):
    test = BinomialTest(trials, sides, comparisons)
    for hits in range(trials + 1):
        low, high = test.interval(hits)
        assert (low > 0.5) is (hits >= test.needed)
        assert low <= hits / trials <= high


def test_of_too_few_trials_none_pass():
    test = BinomialTest(5, sides=2)
    assert test.needed == 6
    assert test.power(1.0) == 0.0


def test_corrected_p_values_stop_at_one():
    test = BinomialTest(16, sides=1, comparisons=3)
    assert test.p_corrected(14) == 3 * test.p_value(14)
    assert test.p_corrected(8) == 1.0
