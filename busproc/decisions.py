"""The decision log: one JSON document a render, and the same in words."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from busproc.delivery.prints import Passage
from busproc.digests import treatment_sha256, versions_in_use
from busproc.errors import SettingsFileError
from busproc.jsonfile import read_object
from busproc.making import Made
from busproc.pruning.words import left_out_in_short, left_out_in_words
from busproc.song import Song
from busproc.sources import StemFile

FORMAT = "busproc-decisions/1"
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


def build(song: Song, made: Made, deliveries: list[Record], passage: Passage | None) -> Record:
    """Put the log together. The same inputs, settings and versions give the same document.

    Parameters
    ----------
    song
        What was rendered.
    made
        What came of it: facts, a record for every place, versions.
    deliveries
        One record a written file.
    passage
        First and last second where only a passage was written.
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
            **_played(file),
        }
        for file in song.files.values()
    ]
    settings = session.model_dump(mode="json", by_alias=True, exclude={"schema_"})
    versions = versions_in_use()
    return {
        "format": FORMAT,
        "song": session.song,
        **({"notes_of_the_session": session.notes} if session.notes else {}),
        "treatment_sha256": treatment_sha256(song),
        "versions": versions,
        "rate_hz": song.rate_hz,
        "frames": song.frames,
        **({"passage": {"from_s": passage[0], "to_s": passage[1]}} if passage else {}),
        "inputs": inputs,
        "notes": list(song.notes),
        "session": settings,
        "measured_before": {place: _numbers(found) for place, found in made.facts.items()},
        "places": made.places,
        **({"left_out": dict(song.left_out)} if song.left_out is not None else {}),
        **({"compared": made.compared} if made.compared else {}),
        "deliveries": deliveries,
    }


def files_named(inputs: list[Record]) -> list[Record]:
    """Every file that the inputs of a log are made of: stem, name, checksum; a stem's own file first."""
    return [
        {"name": each["name"], "file": file["file"], "sha256": file["sha256"]}
        for each in inputs
        for file in (each, *each.get("played", {}).get("files", ()))
    ]


def _played(file: StemFile) -> Record:
    """What a stem plays at the hits of its file: which sample, where, how loud."""
    if file.played is None:
        return {}
    strokes = [
        {
            "sample": each.sample,
            "at_frame": each.at_frame,
            "gain_db": round(20 * math.log10(abs(each.gain)), 3),
            "inverted": each.gain < 0,
            "shift_frames": each.shift_frames,
        }
        for each in file.played.strokes
    ]
    files = [{"file": name, "sha256": sha256} for name, _, sha256 in file.played.inputs]
    return {"played": {"files": files, "strokes": strokes}}


def _numbers(found: Mapping[str, Any]) -> Record:
    return {name: value for name, value in found.items() if isinstance(value, int | float | None)}


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
    if "left_out" in document:
        yield left_out_in_short(document["left_out"])
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
    yield from _in_short(document["deliveries"])


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
    if "left_out" in document:
        yield from _section("Left out", list(left_out_in_words(document["left_out"])))
    yield from _section("Only moved: no chain", [_heading(place) for place in plain if place["moved"]])
    yield from _section("Left alone: no chain", [_heading(place) for place in plain if not place["moved"]])
    yield from _section("Versions, decided by the mix and by themselves", _compared(document))
    yield from _section("Written", _written(document["deliveries"]))


def _compared(document: Record) -> list[str]:
    return [
        "; ".join(
            [
                f"{each['version']} (written: by {each['decided_by']}): {_apart(each)}",
                *map(_reduction, each["reductions"]),
            ]
        )
        for each in document.get("compared", [])
    ]


def _apart(found: Record) -> str:
    if found["difference_dbfs"] is None or found["itself_dbfs"] is None:
        return "the two do not differ"
    return f"the two differ by {found['difference_dbfs'] - found['itself_dbfs']:+.1f} dB against its level"


def _reduction(found: Record) -> str:
    return (
        f"{found['stage']} {found['mix_percentile_95_db']:.1f} dB by the mix, "
        f"{found['itself_percentile_95_db']:.1f} dB by itself (95th percentile)"
    )


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


def _written(records: list[Record]) -> list[str]:
    """A line for every file; the gain of a set stands once, with its first file."""
    told: set[tuple[int, Any]] = set()
    lines = []
    for record in records:
        of_set = (record["rate_hz"], record["bits"])
        trim = ""
        if record["trim_db"] <= -SHOWN_TRIM_DB and of_set not in told:
            all_of = "" if sum((r["rate_hz"], r["bits"]) == of_set for r in records) == 1 else " with its set"
            trim = f"; turned down{all_of} by {-record['trim_db']:.2f} dB {record['trim_why']}"
        told.add(of_set)
        again = "; limited again to hold the ceiling" if record.get("limited_again") else ""
        lines.append(
            f"{record['file']}: {_levels(record['measured'])}{trim}{again}; sha256 {record['sha256'][:12]}"
        )
    return lines


def _in_short(records: list[Record]) -> Iterator[str]:
    """A line for every mix, and one for all stems or versions of a kind."""
    mixes = [record for record in records if record["what"] == "mix"]
    yield from _written(mixes)
    folders: dict[str, list[Record]] = {}
    for record in records:
        if record["what"] != "mix":
            folders.setdefault(record["file"].partition("/")[0], []).append(record)
    for folder, inside in folders.items():
        pieces = dict.fromkeys(record["piece"] for record in inside)
        yield f"{folder}/: {len(inside)} files, {', '.join(pieces)}"


def _levels(found: Record) -> str:
    parts = [
        f"{value:.1f} {unit}"
        for value, unit in (
            (found["integrated_lufs"], "LUFS"),
            (found["true_peak_dbtp"], "dBTP"),
            (found["loudness_range_lu"], "LU range"),
        )
        if value is not None
    ]
    return ", ".join(parts) or "silence"
