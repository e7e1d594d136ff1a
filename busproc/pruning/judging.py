"""Which stages of a song change nothing one could hear: each left out alone, then all of these together."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from busproc.measure.decibels import rounded
from busproc.pruning.hearing import Listener, Outcome
from busproc.pruning.places import Place, places_of, without
from busproc.pruning.words import figures_in_words, why

if TYPE_CHECKING:
    from busproc.progress import Progress
    from busproc.song import Song

Word = Literal["not heard", "heard", "level only", "guards the ceiling", "heard together"]
Record = dict[str, Any]


@dataclass(frozen=True)
class Judged:
    """A stage, what leaving it out alone changes, and what follows.

    `heard together` says that it is not heard alone, and had to be put back because those that are left out
    were heard together with it.
    """

    place: Place
    word: Word
    outcome: Outcome


@dataclass(frozen=True)
class Judgement:
    """All stages that the mix tells of.

    Attributes
    ----------
    stages
        Those of the mix bus first.
    together
        What leaving out all those that are not heard changes; None where there are none.
    """

    stages: tuple[Judged, ...]
    together: Outcome | None

    @property
    def needless(self) -> list[Place]:
        """Stages that may be left out, all at once."""
        return [each.place for each in self.stages if each.word == "not heard"]

    def records(self, song: Song) -> list[Record]:
        """Every stage for JSON, figures rounded."""
        return [_record(song, each) for each in self.stages]


def judge(song: Song, progress: Progress) -> Judgement:
    """Leave out every stage of a song by itself, and together those that are not heard.

    Heard is what leaves the mix bus, at one loudness, in chosen passages. Where all that seem needless are
    heard together, the one that matters most alone is put back, until the rest is not heard.

    Parameters
    ----------
    song
        What to judge; composites are left out whole or not at all.
    progress
        Called now and then.
    """
    told = _Told(progress)
    listener = Listener(song, Path(tempfile.gettempdir()), told.announce)
    alone: dict[Place, Outcome] = {}
    places = places_of(song)
    for place in places:
        told.done = len(alone) / len(places)
        alone[place] = listener.hear([place])
    going = [place for place in places if alone[place].may_go]
    together = alone[going[0]] if going else None
    while len(going) > 1 and not (together := listener.hear(going)).may_go:
        back = listener.guard if together.over and listener.guard in going else None
        going.remove(back or max(going, key=lambda place: alone[place].weight))
        together = alone[going[0]]
    return Judgement(tuple(Judged(at, _word(at, alone[at], going), alone[at]) for at in places), together)


def pruned(song: Song, progress: Progress) -> Song:
    """The song without the stages that change nothing one could hear, and what is to be told of them."""
    found = judge(song, progress)
    records = found.records(song)
    left_out = {
        "stages": [each for each in records if each["verdict"] == "not heard"],
        "put_back": [each for each in records if each["verdict"] == "heard together"],
        "judged": len(records),
        **({"together": _together(found.together)} if found.together else {}),
    }
    return replace(without(song, found.needless), left_out=left_out)


def _together(outcome: Outcome) -> Record:
    return {**_figures(outcome), "why": f"Without all of these {figures_in_words(outcome)}."}


@dataclass
class _Told:
    """Tells how far it is, whatever is being done."""

    progress: Progress
    done: float = 0.0

    def announce(self, what: str) -> None:
        self.progress(f"leaving out stages: {what}", self.done)


def _word(place: Place, outcome: Outcome, going: list[Place]) -> Word:
    if place in going:
        return "not heard"
    if outcome.may_go:
        return "heard together"
    if outcome.difference.is_heard:
        return "heard"
    return "guards the ceiling" if outcome.over else "level only"


def _record(song: Song, judged: Judged) -> Record:
    stage, bus = judged.place.stage(song), song.buses[judged.place.bus]
    return {
        "place": f"{bus.place}.stages[{judged.place.number}]",
        "stage": stage.tag,
        **({"name": stage.name} if stage.name else {}),
        "settings": stage.model_dump(mode="json", by_alias=True, exclude={"stage", "name"}),
        **_figures(judged.outcome),
        "verdict": judged.word,
        "why": why(judged.word, judged.outcome),
    }


def _figures(outcome: Outcome) -> Record:
    noise, level = outcome.difference.noise, outcome.difference.level
    return {
        "is_same": outcome.is_same,
        "loudness_change_db": rounded(outcome.loudness_change_db, 3),
        "level_change_db": rounded(level.db, 3),
        "level_at_s": rounded(level.at_s, 2),
        "level_at_hz": rounded(level.freq_hz, 1),
        "noise_to_mask_db": rounded(noise.db, 2) if noise else None,
        "noise_at_s": rounded(noise.at_s, 2) if noise else None,
        "noise_at_hz": rounded(noise.freq_hz, 1) if noise else None,
        "weight": rounded(outcome.weight, 3),
        "passages_s": [[round(each.from_s, 2), round(each.to_s, 2)] for each in outcome.passages],
        "over_dbtp": [round(each, 2) for each in outcome.over] if outcome.over else None,
    }
