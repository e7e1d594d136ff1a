"""The search for a goal: known optima, a budget that holds, the same way for the same seed."""

from __future__ import annotations

import numpy as np
import pytest

from busproc.shootouts.goal import Goal
from busproc.shootouts.refine import refine
from busproc.shootouts.settings import Refine

GOAL = Goal.model_validate({"raise": "crest_factor_db", "keep": {"loudness_range_lu": 1.0}})
CONTROL = {"Low Tide": {"crest_factor_db": 8.0, "loudness_range_lu": 6.0}}
RANGES = {"hold.attack_ms": (1.0, 100.0), "gain.gain_db": (-6.0, 6.0)}


def by_song(crest_factor_db, loudness_range_lu=6.0):
    return {"Low Tide": {"crest_factor_db": crest_factor_db, "loudness_range_lu": loudness_range_lu}}


def hill(values):
    """Highest, at 10, where the attack is 20 ms and the gain 1.5 dB."""
    octaves = np.log2(values["hold.attack_ms"] / 20.0)
    return by_song(float(10.0 - 0.5 * octaves**2 - 0.2 * (values["gain.gain_db"] - 1.5) ** 2))


class Counted:
    """A function that remembers what it was asked."""

    def __init__(self, function):
        self.function, self.asked = function, []

    def __call__(self, values):
        self.asked.append(dict(values))
        return self.function(values)


@pytest.mark.parametrize("seed", range(6))
def test_a_known_optimum_is_found(seed):
    found = refine(hill, Refine(ranges=RANGES, budget=60, seed=seed), GOAL, CONTROL)
    assert found.is_better
    assert found.best.values["hold.attack_ms"] == pytest.approx(20.0, rel=0.05)
    assert found.best.values["gain.gain_db"] == pytest.approx(1.5, abs=0.1)
    assert found.best.judged.better_by == pytest.approx(2.0, abs=0.005)
    assert found.in_words().startswith(
        f"Try {found.best.number} is 2.00 closer to the goal than the untouched input."
    )


@pytest.mark.parametrize("wish", [{"lower": "crest_factor_db"}, {"near": {"crest_factor_db": 9.0}}])
def test_other_wishes_are_followed_too(wish):
    goal = Goal.model_validate(wish)
    found = refine(hill, Refine(ranges=RANGES, budget=60), goal, by_song(8.0))
    lowest = min(
        hill({"hold.attack_ms": a, "gain.gain_db": g})["Low Tide"]["crest_factor_db"]
        for a in (1.0, 100.0)
        for g in (-6.0, 6.0)
    )
    wanted = lowest if "lower" in wish else 9.0
    assert found.best.judged.value == pytest.approx(wanted, abs=0.05)


@pytest.mark.parametrize("seed", range(4))
def test_promises_hold_at_the_optimum(seed):
    """More gain is better, but 1 LU, which 2.5 dB take, is all that may be moved."""

    def louder(values):
        return by_song(8.0 + values["gain.gain_db"], 6.0 - 0.4 * values["gain.gain_db"])

    ranges = {"gain.gain_db": (-6.0, 6.0)}
    found = refine(louder, Refine(ranges=ranges, budget=30, seed=seed), GOAL, CONTROL)
    assert found.best.judged.keeps
    assert found.best.values["gain.gain_db"] == pytest.approx(2.5, abs=0.02)
    assert found.best.values["gain.gain_db"] <= 2.5


@pytest.mark.parametrize("budget", [4, 7, 30, 61])
def test_the_budget_holds_and_nothing_is_rendered_twice(budget):
    counted = Counted(hill)
    found = refine(counted, Refine(ranges=RANGES, budget=budget), GOAL, CONTROL)
    assert len(counted.asked) == budget == len(found.tries)
    assert len({tuple(values.values()) for values in counted.asked}) == budget
    assert [each.values for each in found.tries] == counted.asked
    assert [each.number for each in found.tries] == list(range(1, budget + 1))
    for values in counted.asked:
        for path, (low, high) in RANGES.items():
            assert low <= values[path] <= high
            assert float(f"{values[path]:.4g}") == values[path]


def test_a_range_with_few_values_ends_the_search_early():
    counted = Counted(lambda values: by_song(values["gain.gain_db"]))
    found = refine(counted, Refine(ranges={"gain.gain_db": (1.0, 1.009)}, budget=60), GOAL, CONTROL)
    assert len(counted.asked) <= 10
    assert found.best.values["gain.gain_db"] == 1.009
    assert "of at most 60 settings tried" in found.in_words()


def test_the_same_seed_goes_the_same_way_and_another_another():
    first, again, other = (
        refine(hill, Refine(ranges=RANGES, budget=40, seed=seed), GOAL, CONTROL) for seed in (7, 7, 8)
    )
    assert first == again
    assert [each.values for each in first.tries] != [each.values for each in other.tries]


@pytest.mark.parametrize("height", [7.9, 8.0, 8.004])
def test_no_better_than_the_untouched_input_is_said(height):
    found = refine(
        lambda values: by_song(height - values["gain.gain_db"] ** 2 / 100),
        Refine(ranges={"gain.gain_db": (-6.0, 6.0)}, budget=30),
        GOAL,
        CONTROL,
    )
    assert not found.is_better
    assert found.in_words() == (
        f"Nothing found: the best is no better than the untouched input. "
        f"{len(found.tries)} of at most 30 settings tried, seed 1."
    )


def test_promises_that_nothing_keeps_are_told():
    found = refine(
        lambda values: by_song(20.0, 8.5 + values["gain.gain_db"] ** 2),
        Refine(ranges={"gain.gain_db": (-6.0, 6.0)}, budget=30),
        GOAL,
        CONTROL,
    )
    assert not found.is_better
    assert found.best.values["gain.gain_db"] == pytest.approx(0.0, abs=0.1), "the least violation"
    assert found.in_words().startswith(
        "Nothing found: every setting breaks a promise, at best this: "
        "loudness_range_lu moved by +2.50 in Low Tide, 1.50 over the 1 allowed."
    )


def test_what_cannot_be_measured_is_told():
    found = refine(lambda values: by_song(None), Refine(ranges=RANGES, budget=12), GOAL, CONTROL)
    assert not found.is_better
    assert found.in_words().startswith("Nothing found: the goal's figure could not be measured.")


def test_a_hole_in_what_can_be_measured_does_not_stop_the_search():
    def holed(values):
        return by_song(None) if values["gain.gain_db"] < 0 else hill(values)

    found = refine(holed, Refine(ranges=RANGES, budget=60), GOAL, CONTROL)
    assert found.best.judged.better_by == pytest.approx(2.0, abs=0.05)
