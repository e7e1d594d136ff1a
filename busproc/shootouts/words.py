"""What a shootout has found in words: a table for each passage, and the order by the goal."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

SHOWN = {
    "gained_lu": "gain",
    "reduction_db": "reduc",
    "crest_factor_db": "crest",
    "transient_to_body_db": "attack",
    "loudness_range_lu": "range",
    "thd_db": "thd",
    "residue_db": "resid",
    "null_depth_db": "null",
    "width_db": "width",
    "mono_loss_db": "mono",
}
"""Columns of the table in words."""

GOAL_ONLY = {
    "peak_to_short_term_db": "peak/st",
    "spectrum_distance_db": "sp.dist",
    "dynamics_distance_db": "dy.dist",
    "width_distance_db": "wi.dist",
    "distance_db": "dist",
}
"""Columns of figures that are shown where a goal speaks of them."""

NOTHING_DB = -150.0
"""Under it is nothing but rounding."""

LEGEND = (
    "gain: LU louder than the untouched input, before loudness was matched; reduc: 95th percentile of gain",
    "reduction; crest: peak over RMS; attack: attacks over what follows them; range: loudness range in LU;",
    "thd: harmonics added to a sine; resid: what no linear filter of the input explains; null: what is left",
    "beside the untouched input after the best gain; width: side over mid; mono: loss in mono. All in dB.",
)

Document = dict[str, Any]


def in_words(document: Document) -> str:
    """The same as plain text."""
    return "\n".join(_lines(document)) + "\n"


def about(document: Mapping[str, Any]) -> str:
    """What is varied, if not the mix bus, and the words of who wrote the shootout."""
    varied = f"Varied is the chain of {document['bus']!r}, heard in the mix." if document["bus"] else ""
    return " ".join(filter(None, [varied, document["notes"]]))


def _lines(document: Document) -> Iterator[str]:
    yield document["shootout"]
    yield "=" * len(document["shootout"])
    if told := about(document):
        yield told
    for s, song in enumerate(document["songs"]):
        for n, passage in enumerate(song["passages"]):
            yield from _passage_lines(document, s, n, song["song"], passage)
    yield ""
    yield from LEGEND
    yield from _ranking_lines(document)
    if document["refined"]:
        yield ""
        yield document["refined"]["told"]


def _passage_lines(document: Document, s: int, n: int, song: str, passage: Document) -> Iterator[str]:
    yield ""
    yield f"{song}, {passage['name']} ({passage['from_s']:.1f} to {passage['to_s']:.1f} s)"
    rows = {
        each["variation"]: each for each in document["results"] if (each["song"], each["passage"]) == (s, n)
    }
    levels = [row["matched"]["integrated_lufs"] for row in rows.values()]
    known = [level for level in levels if level is not None]
    if known:
        yield f"all at {min(known):.2f} to {max(known):.2f} LUFS"
    columns = _columns(document)
    yield " ".join(f"{name:>7}" for name in columns.values()) + "  variation"
    for variation in _best_first(document):
        row = rows[variation["id"]]
        told = " ".join(f"{_shown(row.get(name))}" for name in columns)
        yield f"{told}  {variation['id']} {variation['name']}"


def _columns(document: Document) -> dict[str, str]:
    """What the table shows: what the goal speaks of first."""
    goal = document["goal"] or {}
    spoken = [goal.get("raise"), goal.get("lower"), *goal.get("near", {}), *goal.get("keep", {})]
    first = {name: SHOWN.get(name, GOAL_ONLY.get(name, name)) for name in spoken if name}
    return first | SHOWN


def _best_first(document: Document) -> list[Document]:
    """Variations in the order of the goal, or of the file."""
    if document["ranking"] is None:
        return list(document["variations"])
    by_id = {each["id"]: each for each in document["variations"]}
    return [by_id[each["variation"]] for each in document["ranking"]]


def _ranking_lines(document: Document) -> Iterator[str]:
    if document["ranking"] is None:
        return
    names = {each["id"]: each["name"] for each in document["variations"]}
    yield ""
    yield f"By the goal, to {_goal_in_words(document['goal'])}:"
    yield "place, its value (mean over songs and passages), by how much it is better than the untouched input"
    for place in document["ranking"]:
        mark = "*" if place["is_pareto"] else " "
        broken = "" if place["keeps"] else f"; {' '.join(place['kept'])}"
        better = "        " if place["better_by"] is None else f"{place['better_by']:+8.2f}"
        figures = f"{place['place']:4d}{mark}{_shown(place['value'])} {better}"
        yield f"{figures}  {names[place['variation']]}{broken}"
    yield "* no other is better by the goal and moves what is to be kept less"


def _goal_in_words(goal: Document) -> str:
    keep = [f"{name} within {bound:g}" for name, bound in goal.get("keep", {}).items()]
    kept = f", keeping {' and '.join(keep)}" if keep else ""
    if "near" in goal:
        name, value = next(iter(goal["near"].items()))
        return f"bring {name} near {value:g}{kept}"
    return f"{'raise' if 'raise' in goal else 'lower'} {goal.get('raise') or goal.get('lower')}{kept}"


def _shown(value: float | None) -> str:
    if value is not None and value < NOTHING_DB:
        return f"  <{NOTHING_DB:.0f}"
    return "      -" if value is None else f"{value:7.2f}"
