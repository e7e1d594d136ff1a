"""Answers revealed: what is said of who hears, who guesses, who stops early and who mixes plans up."""

from __future__ import annotations

import json

import pytest

from busproc.errors import InputError, SettingsFileError
from busproc.shootouts.reveal import reveal
from busproc.shootouts.trials import plan_trials

NAMES = {"slow": "Slower", "fast": "Faster", "again": "Slower again", "dry": "Nothing done"}
PLAN = plan_trials("Evening", [("slow", "dry")], repeat=("slow", "again"), seed=5)
OTHER = {"a": "b", "b": "a", "first": "second", "second": "first"}


def right(trial):
    """Hears everything, and prefers the sound that is more to the left in NAMES."""
    if trial.kind == "abx":
        return trial.x
    return "first" if list(NAMES).index(trial.first) < list(NAMES).index(trial.second) else "second"


def hitting(wanted):
    """A listener with so many hits in each comparison, from its first trial on; all trials by default."""
    done = {}

    def answer(trial):
        key = (trial.kind, trial.pair)
        done[key] = done.get(key, 0) + 1
        hits = wanted.get((trial.kind, "again" in trial.pair), 100)
        return right(trial) if done[key] <= hits else OTHER[right(trial)]

    return answer


def saved(folder, answer, plan=PLAN, **changes):
    """Files as the page leaves them: the plan and a listener's answers to it."""
    given = [
        {"trial": trial.number, "answer": answer(trial), "seconds": 12.3, "switches": 5}
        for trial in plan.trials
    ]
    document = {
        "format": "busproc-answers/1",
        "shootout": plan.shootout,
        "plan_sha256": plan.sha256,
        "answers": given,
    } | changes
    (folder / "plan.json").write_text(json.dumps(plan.as_dict()))
    (folder / "answers.json").write_text(json.dumps(document))
    return folder / "answers.json", folder / "plan.json"


def revealed(folder, answer, **changes):
    return reveal(*saved(folder, answer, **changes), NAMES)


def test_who_always_hears_is_told_so_and_by_what_it_rests_on(tmp_path):
    found = revealed(tmp_path, hitting({("abx", True): 8}))
    repeat, abx, preference = found.outcomes
    assert found.is_complete
    assert not found.repeat_was_heard
    assert (abx.hits, abx.is_found, abx.p_value) == (16, True, 2**-16)
    assert abx.in_words() == (
        "You always heard 'Slower' and 'Nothing done' apart: 16 of 16 right, 12 needed (p = 1.5e-05); "
        "in the long run between 83 and 100 % (90.0 % confidence)."
    )
    assert preference.in_words() == (
        "You preferred 'Slower' to 'Nothing done' 16 of 16 times, 13 needed (p = 3.1e-05); "
        "in the long run between 79 and 100 % (95.0 % confidence)."
    )
    assert (
        repeat.in_words() == "The hidden repeat was not told from 'Slower' (8 of 16 right), as it should be."
    )


def test_who_guesses_is_told_what_would_have_been_found(tmp_path):
    words = revealed(tmp_path, hitting({("abx", False): 9, ("abx", True): 8, ("preference", False): 6}))
    abx, preference = words.in_words().splitlines()[3:]
    assert abx == (
        "You could not tell 'Slower' and 'Nothing done' apart in 16 trials (9 right); a listener who hears "
        "it and is right 8 times in 10 would have been found with probability 0.80."
    )
    assert preference == (
        "You showed no preference between 'Nothing done' and 'Slower' in 16 trials (10 to 6); a listener who "
        "prefers one of them 8 times in 10 would have been found with probability 0.60."
    )


def test_the_count_that_is_needed_is_the_border(tmp_path):
    for hits, is_found in ((11, False), (12, True)):
        abx = revealed(tmp_path, hitting({("abx", False): hits})).outcomes[1]
        assert abx.is_found is is_found
        assert ("You told" in abx.in_words()) is is_found
    for hits, is_found in ((12, False), (13, True)):
        assert revealed(tmp_path, hitting({("preference", False): hits})).outcomes[2].is_found is is_found


def test_a_hidden_repeat_that_is_heard_is_called_out_first(tmp_path):
    found = revealed(tmp_path, hitting({("abx", True): 12}))
    assert found.repeat_was_heard
    assert found.in_words().splitlines()[2] == (
        "The hidden repeat was told from 'Slower' (12 of 16 right), although it is the same sound. Either "
        "that was guessing, which gets so far in 3.8 % of all runs, or something gives it away. Believe none "
        "of the other results before a second run."
    )
    assert found.as_dict()["repeat_was_heard"] is True


def test_a_preference_is_told_from_the_side_that_is_preferred(tmp_path):
    preference = revealed(tmp_path, hitting({("preference", False): 1})).outcomes[2]
    assert (preference.ids, preference.hits, preference.is_found) == (("dry", "slow"), 15, True)


def test_being_always_wrong_is_not_taken_for_guessing(tmp_path):
    abx = revealed(tmp_path, hitting({("abx", False): 1})).outcomes[1]
    assert not abx.is_found
    assert abx.in_words().endswith(
        "But so many wrong answers are no guessing: if A and B were mixed up, answer anew."
    )


def test_too_few_answers_are_incomplete_and_nothing_is_tested(tmp_path):
    """All hits so far, and the trial that is missing is one of the ABX pair."""
    answers, plan = saved(tmp_path, right)
    document = json.loads(answers.read_text())
    missing = next(t.number for t in PLAN.trials if t.kind == "abx" and "dry" in t.pair)
    document["answers"] = [each for each in document["answers"] if each["trial"] != missing]
    answers.write_text(json.dumps(document))
    found = reveal(answers, plan, NAMES)
    _, abx, preference = found.outcomes
    assert not found.is_complete
    assert (abx.answered, abx.hits, abx.p_value, abx.interval, abx.is_found) == (15, None, None, None, False)
    assert abx.as_dict()["is_found"] is None
    assert abx.in_words() == (
        "'Slower' and 'Nothing done': 15 of 16 trials answered, and nothing is told before all are."
    )
    assert "Incomplete: 47 of 48 trials answered." in found.in_words()
    assert preference.is_found


def test_many_comparisons_need_more_and_say_so(tmp_path):
    """At 0.05 / 2 it takes 13 of 16; the hidden repeat is no part of that and still takes 12."""
    pairs = [("slow", "dry"), ("fast", "dry")]
    plan = plan_trials("Evening", pairs, repeat=("slow", "again"), seed=5)
    for hits, is_found in ((12, False), (13, True)):
        found = revealed(tmp_path, hitting({("abx", False): hits, ("abx", True): 8}), plan=plan)
        repeat, *abx = found.outcomes[:3]
        assert [each.is_found for each in abx] == [is_found] * 2
        assert [each.test.needed for each in (repeat, *abx)] == [12, 13, 13]
        assert abx[0].p_corrected == 2 * abx[0].p_value
    assert "13 needed (p = 0.021 of 2 pairs together)" in abx[0].in_words()
    assert [each.ids for each in abx] == [("slow", "dry"), ("fast", "dry")]


def test_the_result_is_json_with_names_and_figures(tmp_path):
    document = json.loads(json.dumps(revealed(tmp_path, right).as_dict(), allow_nan=False))
    assert document["format"] == "busproc-reveal/1"
    assert document["plan_sha256"] == PLAN.sha256
    abx = document["outcomes"][1]
    assert abx["names"] == ["Slower", "Nothing done"]
    assert (abx["p_value"], abx["interval"], abx["power"]) == (1.526e-05, [0.8293, 1.0], 0.7982)


def test_answers_to_another_plan_are_refused(tmp_path):
    other = plan_trials("Evening", [("slow", "dry")], repeat=("slow", "again"), seed=6)
    with pytest.raises(SettingsFileError, match="were given to other trials"):
        revealed(tmp_path, right, plan_sha256=other.sha256)


def test_answers_that_cannot_be_are_told_all_at_once(tmp_path):
    answers = [
        {"trial": trial, "answer": answer, "seconds": 1, "switches": 0}
        for trial, answer in ((1, "a"), (1, "b"), (2, "first"), (48, "a"), (49, "first"))
    ]
    with pytest.raises(SettingsFileError) as raised:
        revealed(tmp_path, right, answers=answers)
    assert raised.value.faults == [
        "answers[2].answer: trial 2 takes a or b, not first",
        "answers[3].answer: trial 48 takes first or second, not a",
        "answers[4].trial: the plan has trials 1 to 48, not 49",
        "answers: trial 1 is answered 2 times; only one answer counts, so none does",
    ]


def test_a_variation_without_a_name_is_refused(tmp_path):
    with pytest.raises(InputError, match="without a name: again, slow"):
        reveal(*saved(tmp_path, right), {"dry": "Nothing done"})


@pytest.mark.parametrize("key", ["answer", "seconds", "switches"])
def test_answers_say_all_that_the_page_saves(tmp_path, key):
    answers, plan = saved(tmp_path, right)
    document = json.loads(answers.read_text())
    del document["answers"][3][key]
    answers.write_text(json.dumps(document))
    with pytest.raises(SettingsFileError, match=rf"answers\[3\].{key}: missing"):
        reveal(answers, plan, NAMES)
