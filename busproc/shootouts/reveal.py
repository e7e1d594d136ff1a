"""Answers to blind trials revealed: what was told apart, how surely, and what would have been found."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field

from busproc.errors import InputError, SettingsFileError
from busproc.jsonfile import load_settings
from busproc.settings import Settings
from busproc.shootouts.significance import LEVEL, SKILL, BinomialTest
from busproc.shootouts.trials import Kind, TrialPlan, binomial_test


class Answer(Settings):
    """What a listener said to one trial."""

    trial: Annotated[int, Field(ge=1, le=100_000, strict=True)]
    """Number of the trial."""
    answer: Literal["a", "b", "first", "second"]
    """What X is, or which is better."""
    seconds: Annotated[float, Field(ge=0, le=1_000_000, strict=True)]
    """How long the listener took."""
    switches: Annotated[int, Field(ge=0, le=1_000_000, strict=True)]
    """How often the listener went from one sound to another."""


class Answers(Settings):
    """What a listener said, as the listening page saves it."""

    format: Literal["busproc-answers/1"] = "busproc-answers/1"
    """Kind and version of the file."""
    shootout: Annotated[str, Field(min_length=1, max_length=120)]
    """Title of the shootout."""
    plan_sha256: Annotated[str, Field(min_length=64, max_length=64)]
    """Which plan was answered."""
    answers: Annotated[tuple[Answer, ...], Field(max_length=100_000)]
    """In any order."""


@dataclass(frozen=True)
class Outcome:
    """What came of the comparison of two variations.

    Attributes
    ----------
    ids, names
        Of both variations: in the order of the names, the preferred one first.
    is_repeat
        Whether they are the hidden repeat and its original.
    answered
        Trials with an answer. What follows is None unless that is all of them.
    hits
        Right answers; of a preference, how often the first of the two was chosen.
    p_value, p_corrected
        How likely a coin does as well; the same times the number of comparisons.
    interval
        Between what the true share of hits may lie, at the confidence of `test`.
    """

    kind: Kind
    ids: tuple[str, str]
    names: tuple[str, str]
    is_repeat: bool
    test: BinomialTest
    answered: int
    hits: int | None
    p_value: float | None
    p_corrected: float | None
    interval: tuple[float, float] | None

    @property
    def is_found(self) -> bool:
        """Whether a difference, or a preference, was shown."""
        return self.hits is not None and self.hits >= self.test.needed

    def as_dict(self) -> dict[str, Any]:
        """Return everything for JSON: p-values in 4 digits, shares and chances rounded to 0.0001."""
        return {
            "kind": self.kind,
            "ids": list(self.ids),
            "names": list(self.names),
            "is_repeat": self.is_repeat,
            "trials": self.test.trials,
            "answered": self.answered,
            "hits": self.hits,
            "needed": self.test.needed,
            "is_found": self.is_found if self.hits is not None else None,
            "comparisons": self.test.comparisons,
            "p_value": _rounded(self.p_value),
            "p_corrected": _rounded(self.p_corrected),
            "interval": [round(end, 4) for end in self.interval] if self.interval else None,
            "confidence": round(self.test.confidence, 4),
            "power": round(self.test.power(), 4),
            "in_words": self.in_words(),
        }

    def in_words(self) -> str:
        """The outcome in a sentence or two."""
        both, trials = f"{self.names[0]!r} and {self.names[1]!r}", self.test.trials
        if self.hits is None:
            return f"{both}: {self.answered} of {trials} trials answered, and nothing is told before all are."
        if self.is_repeat:
            return self._repeat_in_words(self.hits)
        if self.kind == "abx":
            return self._abx_in_words(both, self.hits, trials)
        return self._preference_in_words(both, self.hits, trials)

    def _repeat_in_words(self, hits: int) -> str:
        right = f"{hits} of {self.test.trials} right"
        if not self.is_found:
            return f"The hidden repeat was not told from {self.names[0]!r} ({right}), as it should be."
        luck_percent = 100 * self.test.p_value(hits)
        return (
            f"The hidden repeat was told from {self.names[0]!r} ({right}), although it is the same sound. "
            f"Either that was guessing, which gets so far in {luck_percent:.2g} % of all runs, or something "
            "gives it away. Believe none of the other results before a second run."
        )

    def _abx_in_words(self, both: str, hits: int, trials: int) -> str:
        if self.is_found:
            how = "always heard" if hits == trials else "told"
            return f"You {how} {both} apart: {hits} of {trials} right, {self._figures()}."
        missed = f"a listener who hears it and is right {self._missed()}."
        if trials - hits >= self.test.needed:
            missed += " But so many wrong answers are no guessing: if A and B were mixed up, answer anew."
        return f"You could not tell {both} apart in {trials} trials ({hits} right); {missed}"

    def _preference_in_words(self, both: str, hits: int, trials: int) -> str:
        if self.is_found:
            one, other = self.names
            return f"You preferred {one!r} to {other!r} {hits} of {trials} times, {self._figures()}."
        tally = f"{hits} to {trials - hits}"
        missed = f"a listener who prefers one of them {self._missed()}."
        return f"You showed no preference between {both} in {trials} trials ({tally}); {missed}"

    def _figures(self) -> str:
        low, high = (100 * end for end in self.interval or ())
        together = f" of {self.test.comparisons} pairs together" if self.test.comparisons > 1 else ""
        return (
            f"{self.test.needed} needed (p = {self.p_corrected:.2g}{together}); in the long run between "
            f"{low:.0f} and {high:.0f} % ({100 * self.test.confidence:.1f} % confidence)"
        )

    def _missed(self) -> str:
        return f"{10 * SKILL:g} times in 10 would have been found with probability {self.test.power():.2f}"


@dataclass(frozen=True)
class Revealed:
    """What all answers of one listener came to.

    Attributes
    ----------
    outcomes
        The hidden repeat first, then what was told apart, then preferences.
    """

    shootout: str
    plan_sha256: str
    outcomes: tuple[Outcome, ...]

    @property
    def is_complete(self) -> bool:
        """Whether all trials that were fixed beforehand are answered."""
        return all(outcome.hits is not None for outcome in self.outcomes)

    @property
    def repeat_was_heard(self) -> bool:
        """Whether the listener told apart what is the same: then the other results are in doubt."""
        return any(outcome.is_repeat and outcome.is_found for outcome in self.outcomes)

    def as_dict(self) -> dict[str, Any]:
        """Return everything for JSON."""
        return {
            "format": "busproc-reveal/1",
            "shootout": self.shootout,
            "plan_sha256": self.plan_sha256,
            "is_complete": self.is_complete,
            "repeat_was_heard": self.repeat_was_heard,
            "level": LEVEL,
            "skill": SKILL,
            "outcomes": [outcome.as_dict() for outcome in self.outcomes],
        }

    def in_words(self) -> str:
        """Plain text: a line for each comparison."""
        lines = [self.shootout, "=" * len(self.shootout)]
        answered = sum(outcome.answered for outcome in self.outcomes)
        planned = sum(outcome.test.trials for outcome in self.outcomes)
        if not self.is_complete:
            lines.append(f"Incomplete: {answered} of {planned} trials answered.")
        return "\n".join([*lines, *(outcome.in_words() for outcome in self.outcomes)]) + "\n"


def reveal(answers_file: Path | str, plan_file: Path | str, names: Mapping[str, str]) -> Revealed:
    """Read what a listener answered and say what it proves.

    Parameters
    ----------
    answers_file, plan_file
        As the listening page saved the one and was given the other.
    names
        Of every variation in the plan, by its identity; their order is that of the result.

    Raises
    ------
    SettingsFileError
        With all faults of a file: answers to another plan, to a trial that it does not hold, to one trial
        twice, or of the wrong kind.
    InputError
        A variation has no name.
    """
    plan = load_settings(plan_file, TrialPlan)
    answers = load_settings(answers_file, Answers)
    if faults := list(faults_in(answers, plan)):
        raise SettingsFileError(answers_file, faults)
    return judge(answers, plan, names)


def faults_in(answers: Answers, plan: TrialPlan) -> Iterator[str]:
    """What is wrong with answers to a plan; that some are missing is not."""
    if answers.plan_sha256 != plan.sha256:
        yield (
            "plan_sha256: these answers were given to other trials: of another shootout, or of this one "
            "before it was changed"
        )
        return
    times = Counter(each.trial for each in answers.answers)
    for n, each in enumerate(answers.answers):
        if each.trial > len(plan.trials):
            yield f"answers[{n}].trial: the plan has trials 1 to {len(plan.trials)}, not {each.trial}"
        elif each.answer not in plan.trials[each.trial - 1].sounds:
            choice = " or ".join(plan.trials[each.trial - 1].sounds)
            yield f"answers[{n}].answer: trial {each.trial} takes {choice}, not {each.answer}"
    for number, count in times.items():
        if count > 1:
            yield f"answers: trial {number} is answered {count} times; only one answer counts, so none does"


def judge(answers: Answers, plan: TrialPlan, names: Mapping[str, str]) -> Revealed:
    """Say what answers prove in which `faults_in` finds no fault; for the rest see `reveal`."""
    nameless = sorted(set().union(*(pair for _, pair in plan.comparisons)) - set(names))
    if nameless:
        raise InputError(f"variations without a name: {', '.join(nameless)}; give a name to each of the plan")
    said = {each.trial: each.answer for each in answers.answers}
    place = {identity: n for n, identity in enumerate(names)}
    outcomes = [
        _outcome(plan, kind, tuple(sorted(pair, key=place.__getitem__)), said, names)
        for kind, pair in plan.comparisons
    ]
    outcomes.sort(key=lambda each: (not each.is_repeat, each.kind, [place[one] for one in each.ids]))
    return Revealed(plan.shootout, plan.sha256, tuple(outcomes))


def _outcome(
    plan: TrialPlan, kind: Kind, ids: tuple[str, ...], said: Mapping[int, str], names: Mapping[str, str]
) -> Outcome:
    is_repeat = plan.is_repeat(frozenset(ids))
    one, other = plan.hidden_repeat if is_repeat and plan.hidden_repeat else ids
    trials = plan.comparisons[kind, frozenset(ids)]
    test = binomial_test(kind, len(trials), 1 if is_repeat else plan.family(kind))
    chosen = [(trial, said[trial.number]) for trial in trials if trial.number in said]
    if kind == "abx":
        hits = sum(trial.x == answer for trial, answer in chosen if trial.kind == "abx")
    else:
        hits = sum(trial.sounds[answer] == one for trial, answer in chosen)
        if 2 * hits < len(trials):
            one, other, hits = other, one, len(trials) - hits
    is_whole = len(chosen) == len(trials)
    return Outcome(
        kind=kind,
        ids=(one, other),
        names=(names[one], names[other]),
        is_repeat=is_repeat,
        test=test,
        answered=len(chosen),
        hits=hits if is_whole else None,
        p_value=test.p_value(hits) if is_whole else None,
        p_corrected=test.p_corrected(hits) if is_whole else None,
        interval=test.interval(hits) if is_whole else None,
    )


def _rounded(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.4g}")
