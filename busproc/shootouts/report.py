"""What a shootout has found, for programs and in words: figures beside each other, the order by the goal."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from busproc.digests import versions_in_use
from busproc.shootouts.ranking import BySong, Ranked, rank
from busproc.shootouts.refining import unit_name
from busproc.shootouts.running import Done, Heard
from busproc.shootouts.variations import Variation

FORMAT = "busproc-compared/1"
Document = dict[str, Any]


def build(done: Done, folder: Path) -> Document:
    """Put everything together for JSON.

    Parameters
    ----------
    done
        What was found.
    folder
        Where the files are, for their names.
    """
    shootout = done.contest.shootout
    ranked = _ranking(done)
    return {
        "format": FORMAT,
        "shootout": shootout.shootout,
        "notes": shootout.notes,
        "bus": shootout.bus,
        "made_with": versions_in_use(),
        "match": shootout.match.model_dump(),
        "goal": shootout.goal.model_dump(by_alias=True, exclude_none=True) if shootout.goal else None,
        "songs": [_song(done, n) for n in range(len(done.contest.songs))],
        "variations": [_variation(each) for each in done.contest.songs[0].variations],
        "results": [_result(done, each, folder) for each in done.heard],
        "ranking": None if ranked is None else [_place(each) for each in ranked],
        "refined": _refined(done),
    }


def _song(done: Done, n: int) -> Document:
    tried, spans = done.contest.songs[n], done.spans[n]
    rate_hz = tried.song.rate_hz
    return {
        "song": tried.song.session.song,
        "rate_hz": rate_hz,
        "passages": [
            {"name": passage.called, "from_s": first / rate_hz, "to_s": last / rate_hz}
            for passage, (first, last) in zip(tried.passages, spans, strict=True)
        ],
    }


def _variation(each: Variation) -> Document:
    return {
        "id": each.id,
        "name": each.name,
        "kind": each.kind,
        "changes": dict(each.changes),
        **({"reason": each.reason} if each.reason else {}),
        **({"repeats": each.repeats} if each.repeats else {}),
    }


def _result(done: Done, heard: Heard, folder: Path) -> Document:
    figures = {name: _rounded(value) for name, value in heard.figures.items()}
    return {
        "song": heard.song,
        "passage": heard.passage,
        "variation": heard.variation.id,
        "file": heard.file.relative_to(folder).as_posix(),
        "gained_lu": _rounded(gained_lu(done, heard)),
        "gain_db": _rounded(heard.gain_db),
        "matched": {name: _rounded(value) for name, value in heard.measured.items()},
        **figures,
        "reduction_db_10_per_s": [_rounded(value) for value in heard.curve],
    }


def gained_lu(done: Done, heard: Heard) -> float | None:
    """How much louder than the untouched input a variation was before it was matched."""
    untouched = next(
        (
            each
            for each in done.heard
            if (each.song, each.passage) == (heard.song, heard.passage) and not each.variation.chain.stages
        ),
        None,
    )
    if untouched is None:
        return None
    louder, before = heard.figures["integrated_lufs"], untouched.figures["integrated_lufs"]
    return None if louder is None or before is None else louder - before


def _ranking(done: Done) -> list[Ranked] | None:
    goal = done.contest.shootout.goal
    figures: dict[str, dict[str, Mapping[str, float | None]]] = {}
    for each in done.heard:
        unit = unit_name(done.contest, each.song, each.passage)
        figures.setdefault(each.variation.id, {})[unit] = each.figures
    control = next((each.id for each in done.contest.songs[0].variations if each.kind == "untouched"), None)
    if goal is None or control is None:
        return None
    by_song: BySong = figures[control]
    return rank(figures, goal, by_song)


def _place(ranked: Ranked) -> Document:
    judged = ranked.judged
    return {
        "place": ranked.place,
        "variation": ranked.id,
        "value": _rounded(judged.value),
        "better_by": _rounded(judged.better_by),
        "keeps": judged.keeps,
        "kept": [each.in_words() for each in judged.kept],
        "is_pareto": ranked.is_pareto,
    }


def _refined(done: Done) -> Document | None:
    if done.refined is None:
        return None
    return {
        "is_better": done.refined.is_better,
        "told": done.refined.in_words(),
        "tries": [
            {
                "number": each.number,
                "values": dict(each.values),
                "value": _rounded(each.judged.value),
                "keeps": each.judged.keeps,
            }
            for each in done.refined.tries
        ],
    }


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, 2)
    if isinstance(value, dict):
        return {name: _rounded(each) for name, each in value.items()}
    return value
