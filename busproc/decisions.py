"""The decision log: one JSON document a render, and the same in words."""

from __future__ import annotations

import hashlib
import importlib.metadata
import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from busproc.errors import SettingsFileError
from busproc.jsonfile import read_object
from busproc.song import Song

FORMAT = "busproc-decisions/1"
LIBRARIES = ("numpy", "scipy", "numba", "soundfile", "soxr")
NEEDED = (
    "song",
    "treatment_sha256",
    "versions",
    "rate_hz",
    "frames",
    "inputs",
    "notes",
    "places",
    "deliveries",
)
"""What a decision log must hold to be put into words."""

SHOWN_TRIM_DB = 0.005
"""Smaller trims stand in the JSON only: two digits would show 0.00 dB."""

Record = dict[str, Any]


def build(
    song: Song,
    places: list[Record],
    facts: Mapping[str, Any],
    deliveries: list[Record],
    passage: Record | None,
) -> Record:
    """Put the log together. The same inputs, settings and versions give the same document.

    Parameters
    ----------
    song
        What was rendered.
    places
        One record a bus, in the order of the session file.
    facts
        What measuring passes found, by place.
    deliveries
        One record a written file.
    passage
        `from_s` and `to_s` where only a passage was written.
    """
    session = song.session
    inputs = [
        {
            "name": file.stem.name,
            "file": file.stem.file,
            "sha256": file.sha256,
            "rate_hz": file.info.rate_hz,
            "channels": file.info.channels,
            "frames": file.info.frames,
            "encoding": f"{file.info.container} {file.info.encoding}",
            "start_frame": file.start_frame,
        }
        for file in song.files.values()
    ]
    settings = session.model_dump(mode="json", by_alias=True, exclude={"schema_"})
    chains = {
        bus.place: bus.chain.model_dump(mode="json", by_alias=True, exclude={"schema_"})
        for bus in song.buses.values()
    }
    versions = {name: importlib.metadata.version(name) for name in ("busproc", *LIBRARIES)}
    treatment = {"session": settings, "chains": chains, "inputs": [(i["name"], i["sha256"]) for i in inputs]}
    return {
        "format": FORMAT,
        "song": session.song,
        **({"notes_of_the_session": session.notes} if session.notes else {}),
        "treatment_sha256": _digest({"busproc": versions["busproc"], **treatment}),
        "versions": versions,
        "rate_hz": song.rate_hz,
        "frames": song.frames,
        **({"passage": passage} if passage else {}),
        "inputs": inputs,
        "notes": list(song.notes),
        "session": settings,
        "measured_before": {place: _numbers(found) for place, found in facts.items()},
        "places": places,
        "deliveries": deliveries,
    }


def _numbers(found: Mapping[str, Any]) -> Record:
    return {name: value for name, value in found.items() if isinstance(value, int | float | None)}


def _digest(document: Any) -> str:
    text = json.dumps(document, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def to_json(document: Record) -> str:
    """The document as text, the same for the same document."""
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def load(path: Path | str) -> Record:
    """Read a decision log.

    Raises
    ------
    SettingsFileError
        When it is not one.
    """
    document = read_object(path)
    if document.get("format") != FORMAT:
        raise SettingsFileError(path, [f'is not a decision log (its format would be "{FORMAT}")'])
    missing = [key for key in NEEDED if key not in document]
    if missing:
        raise SettingsFileError(path, [f"is not a whole decision log: {', '.join(missing)} missing"])
    return document


def summary(document: Record) -> Iterator[str]:
    """The few lines that matter most: the mix bus, what was left alone, what was written."""
    yield from (f"note: {note}" for note in document["notes"])
    mix_bus = document["places"][-1]
    yield _heading(mix_bus)
    yield from _decisions(mix_bus["decisions"], "  ")
    rest = [place for place in document["places"][:-1] if place["decisions"]]
    if rest:
        worked = sum(record["verdict"] == "worked" for place in rest for record in place["decisions"])
        total = sum(len(place["decisions"]) for place in rest)
        yield f"{worked} of {total} stages in {', '.join(place['place'] for place in rest)} worked"
    plain = [place for place in document["places"] if not place["decisions"]]
    for title, moved in (("only moved", True), ("left alone", False)):
        names = [place["place"] for place in plain if bool(place["moved"]) is moved]
        if names:
            yield f"{title}: {', '.join(names)}"
    yield from map(_delivery, document["deliveries"])


def in_words(document: Record) -> str:
    """The decision log as plain text, for a person.

    Parameters
    ----------
    document
        From `build` or `load`.
    """
    return "\n".join(_lines(document)) + "\n"


def _lines(document: Record) -> Iterator[str]:
    seconds = document["frames"] / document["rate_hz"]
    title = f"{document['song']}: what was decided"
    yield title
    yield "=" * len(title)
    yield ""
    yield (
        f"{seconds:.1f} s at {document['rate_hz']} Hz from {len(document['inputs'])} stems, "
        f"busproc {document['versions']['busproc']}, treatment {document['treatment_sha256'][:12]}"
    )
    if "passage" in document:
        passage = document["passage"]
        yield f"Only {passage['from_s']:g} s to {passage['to_s']:g} s was written."
    if "notes_of_the_session" in document:
        yield document["notes_of_the_session"]
    yield from _section("Notes", document["notes"])
    plain = [place for place in document["places"] if not place["decisions"]]
    for place in document["places"]:
        if place["decisions"]:
            yield from _section(_heading(place), list(_decisions(place["decisions"])))
    yield from _section("Only moved: no chain", [_heading(place) for place in plain if place["moved"]])
    yield from _section("Left alone: no chain", [_heading(place) for place in plain if not place["moved"]])
    yield from _section("Written", [_delivery(record) for record in document["deliveries"]])


def _section(title: str, lines: list[str]) -> Iterator[str]:
    if lines:
        yield from ("", title, "-" * len(title), *lines)


def _heading(place: Record) -> str:
    left, fed = place["left_at"], place["fed_by"]
    level = "silent" if left["rms_dbfs"] is None else f"leaves at {left['rms_dbfs']:.1f} dBFS RMS"
    if left["integrated_lufs"] is not None:
        level = f"leaves at {left['integrated_lufs']:.1f} LUFS"
    moved = "; " + ", ".join(place["moved"]) if place["moved"] else ""
    return f"{place['place']}{' <- ' + ', '.join(fed) if fed else ''} ({level}{moved})"


def _decisions(records: list[Record], indent: str = "") -> Iterator[str]:
    for number, record in enumerate(records, 1):
        name = f" '{record['name']}'" if "name" in record else ""
        yield f"{indent}{number}. {record['stage']}{name}, {record['verdict']}: {record['why']}"
        for branch in record.get("branches", []):
            yield f"{indent}   {branch['step']} at {branch['level_db']:+g} dB"
            yield from _decisions(branch["decisions"], indent + "     ")


def _delivery(record: Record) -> str:
    found = record["measured"]
    parts = [
        f"{value:.1f} {unit}"
        for value, unit in (
            (found["integrated_lufs"], "LUFS"),
            (found["true_peak_dbtp"], "dBTP"),
            (found["loudness_range_lu"], "LU range"),
        )
        if value is not None
    ]
    trim = ""
    if record["trim_db"] <= -SHOWN_TRIM_DB:
        trim = f"; turned down by {-record['trim_db']:.2f} dB {record['trim_why']}"
    return f"{record['file']}: {', '.join(parts) or 'silence'}{trim}; sha256 {record['sha256'][:12]}"
