"""What a listening page refuses, before a sound is asked for."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from busproc.errors import InputError
from busproc.shootouts.listening.model import Listening

TRIALS = "busproc-trials/1"
PAIRS = {"abx": ("a", "b"), "preference": ("first", "second")}


def refuse_faults(listening: Listening) -> None:
    """Raise InputError with every fault of a listening page, or return."""
    faults = [*_faults(listening), *_trial_faults(listening)]
    if faults:
        raise InputError("\n".join(["the listening page cannot be made", *(f"  {each}" for each in faults)]))


def _faults(listening: Listening) -> Iterator[str]:
    if not listening.songs or not all(song.passages for song in listening.songs):
        yield "songs: give one at least, each with a passage at least"
    if not listening.variations:
        yield "variations: give one at least"
    ids = [variation.id for variation in listening.variations]
    for each in sorted({name for name in ids if ids.count(name) > 1}):
        yield f"variations: two have the id '{each}'; give each its own"
    wanted = [len(song.passages) for song in listening.songs]
    for variation in listening.variations:
        if [len(each) for each in variation.gained_lu] != wanted:
            yield f"variations: '{variation.id}' needs one gained_lu for each passage of each song"


def _trial_faults(listening: Listening) -> Iterator[str]:
    trials = listening.trials
    if trials is None:
        return
    if trials.get("format") != TRIALS or not trials.get("trials") or not trials.get("plan_sha256"):
        yield f"trials: give a plan of format {TRIALS} with one trial at least, and its plan_sha256"
        return
    for trial in trials["trials"]:
        if not _is_playable(trial, listening):
            yield f"trials: number {trial.get('number')} names what is not here: a kind, place or sound"


def _is_playable(trial: Mapping[str, Any], listening: Listening) -> bool:
    pair = PAIRS.get(trial.get("kind", ""))
    song, passage = trial.get("song"), trial.get("passage")
    if pair is None or not isinstance(song, int) or song not in range(len(listening.songs)):
        return False
    known = {variation.id for variation in listening.variations}
    return (
        passage in range(len(listening.songs[song].passages))
        and {trial.get(name) for name in pair} <= known
        and (trial["kind"] != "abx" or trial.get("x") in pair)
    )
