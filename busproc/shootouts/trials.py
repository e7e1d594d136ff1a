"""Blind trials planned: which two sounds, where, and which is hidden, all fixed before the first answer."""

from __future__ import annotations

import functools
import hashlib
import json
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Annotated, Any, Literal, Self, TypeAlias

from pydantic import Field, ValidationError, model_validator

from busproc.errors import InputError
from busproc.jsonfile import faults_of
from busproc.settings import Settings
from busproc.shootouts.significance import COUNTS, BinomialTest

if TYPE_CHECKING:
    import numpy as np

Identity = Annotated[str, Field(min_length=1, max_length=64)]
Pair: TypeAlias = tuple[str, str]
Place: TypeAlias = tuple[int, int]
Kind: TypeAlias = Literal["abx", "preference"]


class _Trial(Settings):
    """Where a trial is heard."""

    number: Annotated[int, Field(ge=1, le=100_000, strict=True)]
    """From 1 on, in the order in which trials are heard."""
    song: Annotated[int, Field(ge=0, le=10_000, strict=True)]
    """Position in the list of songs, from 0 on."""
    passage: Annotated[int, Field(ge=0, le=10_000, strict=True)]
    """Position in the song's list of passages, from 0 on."""

    @property
    def sounds(self) -> dict[str, str]:
        """The variation behind each possible answer."""
        raise NotImplementedError

    @property
    def pair(self) -> frozenset[str]:
        """The two variations, in no order."""
        return frozenset(self.sounds.values())

    @model_validator(mode="after")
    def _has_two_sounds(self) -> Self:
        if len(self.pair) < 2:
            raise ValueError("must compare two different variations")
        return self


class AbxTrial(_Trial):
    """Two sounds to hear, and one of them once more, hidden: the listener says which."""

    kind: Literal["abx"] = "abx"
    """Kind of trial."""
    a: Identity
    """Variation heard as A."""
    b: Identity
    """Variation heard as B."""
    x: Literal["a", "b"]
    """Which of the two is hidden."""

    @property
    def sounds(self) -> dict[str, str]:
        """The variation behind each possible answer."""
        return {"a": self.a, "b": self.b}


class PreferenceTrial(_Trial):
    """Two sounds without names: the listener says which is better."""

    kind: Literal["preference"] = "preference"
    """Kind of trial."""
    first: Identity
    """Variation heard first."""
    second: Identity
    """Variation heard second."""

    @property
    def sounds(self) -> dict[str, str]:
        """The variation behind each possible answer."""
        return {"first": self.first, "second": self.second}


Trial: TypeAlias = Annotated[AbxTrial | PreferenceTrial, Field(discriminator="kind")]


class TrialPlan(Settings):
    """All trials of a shootout in the order in which they are heard."""

    format: Literal["busproc-trials/1"] = "busproc-trials/1"
    """Kind and version of the file."""
    shootout: Annotated[str, Field(min_length=1, max_length=120)]
    """Title of the shootout."""
    seed: Annotated[int, Field(ge=0, le=2**53 - 1, strict=True)]
    """From which everything random in the plan was drawn."""
    hidden_repeat: Annotated[tuple[Identity, Identity] | None, Field(strict=False)] = None
    """A variation and the same sound once more under another name, which nobody can tell apart."""
    trials: Annotated[tuple[Trial, ...], Field(min_length=1, max_length=100_000)]
    """In the order in which they are heard."""

    @model_validator(mode="after")
    def _can_be_judged(self) -> Self:
        if any(trial.number != n for n, trial in enumerate(self.trials, 1)):
            raise ValueError("trials: must be numbered 1, 2, 3 and so on in their order")
        for (kind, _), trials in self.comparisons.items():
            _refuse_count(kind, len(trials), self.family(kind))
        return self

    @functools.cached_property
    def comparisons(self) -> dict[tuple[Kind, frozenset[str]], list[AbxTrial | PreferenceTrial]]:
        """The trials of each comparison."""
        found: dict[tuple[Kind, frozenset[str]], list[AbxTrial | PreferenceTrial]] = {}
        for trial in self.trials:
            found.setdefault((trial.kind, trial.pair), []).append(trial)
        return found

    def family(self, kind: Kind) -> int:
        """How many comparisons of a kind are judged together; the hidden repeat is none of them."""
        return sum(of == kind and not self.is_repeat(pair) for of, pair in self.comparisons)

    def is_repeat(self, pair: frozenset[str]) -> bool:
        """Whether these two are the hidden repeat and its original."""
        return self.hidden_repeat is not None and pair == frozenset(self.hidden_repeat)

    def as_dict(self) -> dict[str, Any]:
        """The plan as its file holds it."""
        return self.model_dump(mode="json")

    @functools.cached_property
    def sha256(self) -> str:
        """The name by which answers know their plan: of its JSON with sorted keys and without spaces."""
        text = json.dumps(self.as_dict(), sort_keys=True, separators=(",", ":"))
        return hashlib.sha256(text.encode("ascii")).hexdigest()


def binomial_test(kind: Kind, count: int, comparisons: int) -> BinomialTest:
    """The test of a kind of trial: only right answers count for ABX, a preference has two sides."""
    return BinomialTest(count, 1 if kind == "abx" else 2, max(1, comparisons))


def pairs_against(control: str, variations: Sequence[str]) -> list[Pair]:
    """Every variation with the control.

    >>> pairs_against("dry", ["slow", "fast"])
    [('slow', 'dry'), ('fast', 'dry')]
    """
    return [(variation, control) for variation in variations]


def plan_trials(
    shootout: str,
    pairs: Sequence[Pair],
    *,
    repeat: Pair | None,
    places: Sequence[Place] = ((0, 0),),
    abx: int = 16,
    preference: int = 16,
    seed: int,
) -> TrialPlan:
    """Lay out all trials: first the ABX trials in random order, then the preferences in random order.

    The trials of a pair are spread evenly over the places. Which sound is hidden, and which comes first, is a
    fair coin each time and not evened out, or the binomial test would not hold: where half of 16 hidden
    sounds are A, a listener who hears nothing but answers A eight times gets 12 right in 6.6 % of all runs,
    not in 3.8 %.

    Parameters
    ----------
    shootout
        Title of the shootout.
    pairs
        What to compare, by the variations' identities.
    repeat
        A variation and its hidden repeat, which have ABX trials too; None without one.
    places
        (song, passage), as positions in the lists of the listening page.
    abx, preference
        Trials for each pair, of `significance.COUNTS`; 0 leaves that kind out, and the repeat with ABX.
    seed
        0 or more; the same seed gives the same plan.

    Raises
    ------
    InputError
        A pair stands twice or is no pair, there is none or no place or no trial, or there are so few trials
        for so many pairs that not even a listener who is always right would pass.

    Examples
    --------
    >>> plan = plan_trials("Evening", [("slow", "dry")], repeat=("slow", "again"), seed=1)
    >>> len(plan.trials), plan.trials[0].kind, plan.trials[-1].kind
    (48, 'abx', 'preference')
    """
    from numpy.random import default_rng

    told_apart = [*pairs, repeat] if repeat else list(pairs)
    _refuse_pairs(told_apart)
    _refuse_counts({"abx": abx, "preference": preference}, len(pairs), len(places))
    rng = default_rng(abs(seed))  # one below 0 is refused with what else the plan may not hold
    hidden = ("ab"[coin] for coin in rng.integers(2, size=abx * len(told_apart)).tolist())
    to_tell = _drawn(rng, told_apart, places, abx)
    to_choose = _drawn(rng, pairs, places, preference)
    laid_out: list[dict[str, Any]] = [
        *({"kind": "abx", "a": one, "b": other, "x": next(hidden), **at} for one, other, at in to_tell),
        *({"kind": "preference", "first": one, "second": other, **at} for one, other, at in to_choose),
    ]
    trials = [{"number": n, **trial} for n, trial in enumerate(laid_out, 1)]
    document = {"shootout": shootout, "seed": seed, "hidden_repeat": repeat, "trials": trials}
    try:
        return TrialPlan.model_validate(document)
    except ValidationError as error:
        raise InputError("; ".join(faults_of(error, TrialPlan))) from None


def _drawn(
    rng: np.random.Generator, pairs: Sequence[Pair], places: Sequence[Place], count: int
) -> Iterator[tuple[str, str, dict[str, int]]]:
    """`count` trials for each pair in random order: a coin says which way round, then the place."""
    trials = [each for pair in pairs for each in _spread(rng, pair, places, count)]
    coins = rng.integers(2, size=len(trials)).tolist()
    for n, coin in zip(rng.permutation(len(trials)).tolist(), coins, strict=True):
        pair, (song, passage) = trials[n]
        yield pair[coin], pair[1 - coin], {"song": song, "passage": passage}


def _spread(
    rng: np.random.Generator, pair: Pair, places: Sequence[Place], count: int
) -> Iterator[tuple[Pair, Place]]:
    """Every place as often as any other, or once more."""
    order = rng.permutation(len(places)).tolist()
    for n in range(count):
        yield pair, places[order[n % len(places)]]


def _refuse_pairs(pairs: Sequence[Pair]) -> None:
    for one, other in pairs:
        if one == other:
            raise InputError(f"{one!r} is compared with itself: a pair needs two variations")
    for pair, times in Counter(map(frozenset, pairs)).items():
        if times > 1:
            raise InputError(f"{' and '.join(sorted(pair))} are compared twice: name each pair once")


def _refuse_counts(counts: dict[Kind, int], pairs: int, places: int) -> None:
    if not pairs or not places or not any(counts.values()):
        raise InputError("nothing to hear: trials need a pair, a place and a number of ABX or preferences")
    for kind, count in counts.items():
        try:
            if count:
                _refuse_count(kind, count, pairs)
        except ValueError as error:
            raise InputError(str(error)) from None


def _refuse_count(kind: Kind, count: int, comparisons: int) -> None:
    """Refuse a count of trials that is not offered, or at which nobody could pass."""
    if count in COUNTS and _can_pass(kind, count, comparisons):
        return
    allowed = [str(n) for n in COUNTS if _can_pass(kind, n, comparisons)]
    choice = f"choose {', '.join(allowed)}" if allowed else "compare fewer"
    pairs = "1 pair" if comparisons == 1 else f"{comparisons} pairs"
    raise ValueError(f"{kind}: {count} trials each for {pairs} cannot prove anything; {choice}")


def _can_pass(kind: Kind, count: int, comparisons: int) -> bool:
    return binomial_test(kind, count, comparisons).needed <= count
