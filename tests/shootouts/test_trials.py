"""Plans of blind trials: as many as were asked for, everywhere alike, the hidden sound a fair coin."""

from __future__ import annotations

import hashlib
import itertools
import json
from collections import Counter

import pytest

from busproc.errors import InputError, SettingsFileError
from busproc.jsonfile import load_settings
from busproc.shootouts.trials import TrialPlan, pairs_against, plan_trials

PAIRS = pairs_against("dry", ["slow", "fast"])
REPEAT = ("slow", "again")
PLACES = ((0, 0), (0, 1), (1, 0))


def planned(seed=1, **changes):
    keys = {"pairs": PAIRS, "repeat": REPEAT, "places": PLACES, "seed": seed} | changes
    return plan_trials("Evening", **keys)


def tallied(plan, *what):
    return Counter(tuple(getattr(trial, key) for key in what) for trial in plan.trials)


def test_each_pair_has_its_trials_and_the_repeat_is_only_told_apart():
    plan = planned(abx=16, preference=20)
    assert tallied(plan, "kind", "pair") == {
        ("abx", frozenset({"slow", "dry"})): 16,
        ("abx", frozenset({"fast", "dry"})): 16,
        ("abx", frozenset(REPEAT)): 16,
        ("preference", frozenset({"slow", "dry"})): 20,
        ("preference", frozenset({"fast", "dry"})): 20,
    }
    assert plan.hidden_repeat == REPEAT
    assert (plan.family("abx"), plan.family("preference")) == (2, 2)


def test_each_pair_is_heard_at_every_place_as_often_or_once_more():
    spread = tallied(planned(abx=16), "kind", "pair", "song", "passage")
    assert len(spread) == 5 * len(PLACES)
    assert set(spread.values()) == {5, 6}


def test_trials_are_shuffled_within_their_kind():
    trials = planned().trials
    kinds = [trial.kind for trial in trials]
    assert kinds == ["abx"] * 48 + ["preference"] * 32
    for part in (trials[:48], trials[48:]):
        changes = sum(one.pair != other.pair for one, other in itertools.pairwise(part))
        assert changes > len(part) / 4


def test_what_is_hidden_and_what_is_first_are_fair_coins():
    """Over 200 plans each share lies within four standard errors of one half, and no plan is evened out."""
    plans = [planned(seed) for seed in range(200)]
    abx = [trial for plan in plans for trial in plan.trials if trial.kind == "abx"]
    preferences = [trial for plan in plans for trial in plan.trials if trial.kind == "preference"]
    for coins in (
        [trial.x == "a" for trial in abx],
        [trial.b == "dry" for trial in abx if "dry" in trial.pair],
        [trial.second == "dry" for trial in preferences],
    ):
        assert abs(sum(coins) / len(coins) - 0.5) < 4 * 0.5 / len(coins) ** 0.5
    assert len({sum(trial.x == "a" for trial in plan.trials if trial.kind == "abx") for plan in plans}) > 10


def test_the_seed_is_the_plan():
    assert planned(7).sha256 == planned(7).sha256
    assert planned(7).trials != planned(8).trials
    assert planned(7).sha256 != planned(8).sha256


def test_a_plan_comes_back_from_its_file_as_it_was(tmp_path):
    file = tmp_path / "plan.json"
    file.write_text(json.dumps(planned().as_dict(), indent=3))
    again = load_settings(file, TrialPlan)
    assert again == planned()
    assert again.sha256 == planned().sha256
    document = json.loads(file.read_text())
    canonical = json.dumps(document, sort_keys=True, separators=(",", ":"))
    assert again.sha256 == hashlib.sha256(canonical.encode()).hexdigest()
    assert document["format"] == "busproc-trials/1"
    assert set(document["trials"][0]) == {"number", "kind", "song", "passage", "a", "b", "x"}
    assert set(document["trials"][-1]) == {"number", "kind", "song", "passage", "first", "second"}


def test_without_a_repeat_or_a_kind_there_is_none():
    assert not any("again" in trial.pair for trial in planned(repeat=None).trials)
    assert {trial.kind for trial in planned(abx=0).trials} == {"preference"}
    assert {trial.kind for trial in planned(preference=0).trials} == {"abx"}


@pytest.mark.parametrize(
    ("changes", "what"),
    [
        ({"pairs": []}, "nothing to hear"),
        ({"places": []}, "nothing to hear"),
        ({"abx": 0, "preference": 0}, "nothing to hear"),
        ({"pairs": [("slow", "slow")]}, "'slow' is compared with itself"),
        ({"pairs": [("slow", "dry"), ("dry", "slow")]}, "dry and slow are compared twice"),
        ({"pairs": [("slow", "again")]}, "again and slow are compared twice"),
        ({"abx": 21}, "abx: 21 trials each for 2 pairs cannot prove anything; choose 6, 7, 8"),
        ({"abx": 5}, "abx: 5 trials each for 2 pairs"),
        ({"preference": 6}, "preference: 6 trials each for 2 pairs cannot prove anything; choose 7, 8"),
        ({"seed": -1}, "seed: must be a whole number"),
    ],
)
def test_plans_that_prove_nothing_are_refused(changes, what):
    with pytest.raises(InputError, match=what):
        planned(**changes)


@pytest.mark.parametrize(
    ("change", "what"),
    [
        (lambda trials: trials.pop(), "preference: 5 trials each for 1 pair cannot prove anything"),
        (lambda trials: trials.pop(0), "must be numbered 1, 2, 3"),
        (lambda trials: trials[0].update(b=trials[0]["a"]), "two different variations"),
        (lambda trials: trials[0].update(x="first"), r"trials\[0\].x: must be one of a, b"),
        (lambda trials: trials[0].pop("x"), r"trials\[0\].x: missing"),
    ],
)
def test_a_plan_that_was_tampered_with_is_refused(tmp_path, change, what):
    document = planned(preference=6, pairs=PAIRS[:1]).as_dict()
    change(document["trials"])
    file = tmp_path / "plan.json"
    file.write_text(json.dumps(document))
    with pytest.raises(SettingsFileError, match=what):
        load_settings(file, TrialPlan)
