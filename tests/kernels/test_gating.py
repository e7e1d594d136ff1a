"""A gate's follower beside a slow one; shares of attack and body by their definition."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busproc.kernels import gating
from busproc.stages.highest import Highest
from tests import oracles


def slow_gate(levels_db, threshold_db, hysteresis_db, slope, most_db, attack, release):
    """The same in words: two states, a curve, and a one-pole whose pace depends on where it goes."""
    state, now, out = "closed", most_db, []
    for level_db in levels_db:
        if level_db >= threshold_db:
            state = "open"
        if level_db < threshold_db - hysteresis_db:
            state = "closed"
        goal = 0.0 if state == "open" else min(slope * (threshold_db - level_db), most_db)
        now = goal + (now - goal) * (release if goal > now else attack)
        out.append(now)
    return np.array(out)


@settings(max_examples=40)
@given(
    hysteresis_db=st.floats(0, 12),
    slope=st.one_of(st.floats(0.1, 20), st.just(1e9)),
    most_db=st.floats(0, 60),
    keeps=st.tuples(st.floats(0, 0.99), st.floats(0, 0.99)),
    sizes=st.lists(st.integers(0, 90), min_size=1, max_size=5),
    seed=st.integers(0, 10**6),
)
def test_it_follows_as_the_slow_one_in_blocks_of_any_size(hysteresis_db, slope, most_db, keeps, sizes, seed):
    levels_db = np.random.default_rng(seed).uniform(-60, -20, 300)
    memory = np.array([most_db, 0.0])
    parts = [
        gating.follow_gate(part, -40.0, hysteresis_db, slope, most_db, *keeps, memory)
        for part in np.split(levels_db, np.minimum(np.cumsum(sizes), 300))
    ]
    wanted = slow_gate(levels_db, -40.0, hysteresis_db, slope, most_db, *keeps)
    np.testing.assert_allclose(np.concatenate(parts), wanted, rtol=0, atol=1e-11)


def test_nothing_is_asked_for_at_the_threshold_and_above_and_no_more_than_the_most():
    asked = [gating.below(level, -40.0, 2.0, 12.0) for level in (0.0, -40.0, -41.0, -46.0, -50.0, -math.inf)]
    assert asked == [0.0, 0.0, 2.0, 12.0, 12.0, 12.0]


def test_a_share_rises_from_one_distance_to_the_other():
    above_db = np.array([-6.0, 0.0, 2.0, 3.0, 4.0, 6.0, 9.0])
    np.testing.assert_array_equal(gating.share_above(above_db, 2.0, 6.0), [0, 0, 0, 0.25, 0.5, 1, 1])


def test_a_body_is_followed_up_and_down_and_starts_anew_with_an_attack():
    memory = np.zeros(1)
    level, attack = np.array([1.0, 1.0, 0.0, 0.0, 0.0, 0.5]), np.array([1.0, 0.0, 0.0, 0.5, 1.0, 0.0])
    followed = gating.follow_body(level, attack, 0.5, 0.8, memory)
    np.testing.assert_allclose(followed, [0.5, 0.75, 0.6, 0.24, 0.0, 0.25], rtol=1e-15)
    assert memory[0] == followed[-1]


@given(
    length=st.integers(1, 50),
    sizes=st.lists(st.integers(0, 90), min_size=1, max_size=5),
    seed=st.integers(0, 10**6),
)
def test_the_highest_of_the_last_values_in_blocks_of_any_size(length, sizes, seed):
    values, highest = np.random.default_rng(seed).uniform(-60, 0, 200), Highest(length)
    memory = highest.start()
    parts = [highest.of(part, memory) for part in np.split(values, np.minimum(np.cumsum(sizes), 200))]
    np.testing.assert_array_equal(np.concatenate(parts), -oracles.sliding_minimum(-values, length))
