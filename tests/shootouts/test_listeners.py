"""Simulated listeners through plan, answers and result: who hears nothing passes as often as a coin does.

10,000 runs. In each, three listeners who hear nothing share the work: one tosses a coin, one takes care to
say A half of the time, one always prefers what comes first. The test is exact for all of them.
"""

from __future__ import annotations

import json
import math
from collections import Counter

import numpy as np
import pytest

from busproc.shootouts.reveal import Answers, faults_in, judge
from busproc.shootouts.significance import BinomialTest
from busproc.shootouts.trials import plan_trials

pytestmark = pytest.mark.slow

RUNS = 10_000
NAMES = {"slow": "Slower", "again": "Slower again", "dry": "Nothing done"}


def run(seed, answer):
    """One run: a plan, what the page would save, and what it comes to."""
    plan = plan_trials("Evening", [("slow", "dry")], repeat=("slow", "again"), seed=seed)
    given = [
        {"trial": trial.number, "answer": answer(trial), "seconds": 9.5, "switches": 3}
        for trial in plan.trials
    ]
    document = {"shootout": "Evening", "plan_sha256": plan.sha256, "answers": given}
    answers = Answers.model_validate_json(json.dumps(document))
    assert not list(faults_in(answers, plan))
    return judge(answers, plan, NAMES)


def hearing_nothing(rng):
    """The coin for the pair, the careful one for the hidden repeat, the habit for preferences."""
    coins = iter(rng.choice(["a", "b"], 16).tolist())
    balanced = iter(rng.permutation(["a", "b"] * 8).tolist())

    def answer(trial):
        if trial.kind == "preference":
            return "first"
        return next(balanced if "again" in trial.pair else coins)

    return answer


def hearing(share, rng):
    """Right in a share of all trials, and prefers `slow` in as many."""

    def answer(trial):
        hit = rng.random() < share
        if trial.kind == "abx":
            return trial.x if hit else {"a": "b", "b": "a"}[trial.x]
        return "first" if (trial.first == "slow") == hit else "second"

    return answer


def passed(runs, listener):
    """How many runs found something, by comparison: (kind, whether it is the hidden repeat)."""
    counts = Counter()
    for seed in range(runs):
        found = run(seed, listener(np.random.default_rng([seed, 1])))
        counts.update((each.kind, each.is_repeat) for each in found.outcomes if each.is_found)
    return counts


def assert_as_often(count, runs, chance):
    """Within three standard errors of the simulation itself."""
    error = math.sqrt(chance * (1 - chance) / runs)
    assert abs(count / runs - chance) < 3 * error, (count / runs, chance, error)


@pytest.fixture(scope="module")
def by_chance():
    return passed(RUNS, hearing_nothing)


@pytest.mark.parametrize(
    ("comparison", "hits", "sides"),
    [(("abx", False), 12, 1), (("abx", True), 12, 1), (("preference", False), 13, 2)],
    ids=["coin", "balanced", "habit"],
)
def test_who_hears_nothing_passes_as_often_as_the_binomial_says(by_chance, comparison, hits, sides):
    assert_as_often(by_chance[comparison], RUNS, BinomialTest(16, sides).p_value(hits))


def test_who_is_right_8_times_in_10_is_found_as_often_as_is_said():
    counts = passed(1000, lambda rng: hearing(0.8, rng))
    assert_as_often(counts["abx", False], 1000, BinomialTest(16, sides=1).power())
    assert_as_often(counts["preference", False], 1000, BinomialTest(16, sides=2).power())


def test_who_always_hears_is_always_told_so():
    for seed in range(50):
        found = run(seed, hearing(1.0, np.random.default_rng(seed)))
        assert "You always heard 'Slower' and 'Nothing done' apart" in found.in_words()
        assert found.repeat_was_heard  # who tells the same sound apart hears something else
        assert "The hidden repeat was told from 'Slower' (16 of 16 right)" in found.in_words()
