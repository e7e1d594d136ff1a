"""What changed, in words: the note that goes with the next revision."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from pathlib import PurePosixPath
from typing import Any

from pydantic import TypeAdapter, ValidationError

from busproc.delivery.diff_settings import Change
from busproc.pictures.wording import stage_in_words
from busproc.settings import unit_of
from busproc.stages import AnyStage
from busproc.stages.observe import HEARD_DB, NOMINAL_HZ, WORKING_DB

Record = dict[str, Any]

LONGEST_TEXT = 60
LEAST_TOLD_DB = -100.0
"""Residue under this is told as such; nobody hears it."""


def in_words(document: Record) -> str:
    """What `diff` found, a row for each thing, or that there is no difference."""
    sections = {
        "settings": [change_in_words(Change(**each)) for each in document["settings"]],
        "inputs": [input_in_words(each) for each in document.get("inputs", [])],
        "made with": [version_in_words(*each) for each in document.get("made_with", {}).items()],
        "decisions": [*_decisions(document.get("decisions", []))],
        "files": [*_files(document.get("files", {}))],
        "sound, once levels match: residue against the first, in dB by octave": [
            *_sound(document.get("sound", []))
        ],
    }
    told = ["\n".join([title, *(f"  {row}" for row in rows)]) for title, rows in sections.items() if rows]
    return "\n\n".join(told) or "no difference"


def change_in_words(change: Change) -> str:
    """A changed setting, or an item that came, went or moved.

    >>> change_in_words(Change("pan", "stems[1] 'horn'.pan", "changed", 0.0, -0.5))
    "stems[1] 'horn'.pan: 0 -> -0.5"
    """
    before, after, unit = change.before, change.after, change.unit
    if change.change == "moved":
        was, now = (f"after {each}" if each else "first" for each in (before, after))
        return f"{change.label}: moved, was {was}, is {now}"
    if change.change == "added":
        held = _held(after)
        return f"{change.label}: added{f' ({held})' if held else ''}"
    if change.change == "removed":
        return f"{change.label}: removed"
    is_number = _is_number(after)
    return f"{change.label}: {_told(before, '' if is_number else unit)} -> {_told(after, unit)}"


def input_in_words(each: Record) -> str:
    """A stem with another file."""
    now, was = each["after_sha256"][:12], each["before_sha256"][:12]
    return f"{each['name']}: {each['file']} has SHA-256 {now}, had {was}"


def version_in_words(name: str, versions: list[str | None]) -> str:
    """A program of another version."""
    return f"{name}: {_told(versions[0])} -> {_told(versions[1])}"


def _held(item: Record) -> str:
    """What an item is set to: of a stage what differs from its defaults, of others every plain value."""
    if "stage" in item:
        try:
            return stage_in_words(TypeAdapter(AnyStage).validate_json(json.dumps(item)))
        except ValidationError:
            return ""  # from a decision log, which holds only part of a composite
    rows = {
        key: value
        for key, value in item.items()
        if key not in {"name", "shape", "what", "from", "to"} and value not in (None, "", [])
    }
    return ", ".join(
        f"{_bare(key)} {_told(value, unit_of(key))}"
        for key, value in rows.items()
        if not isinstance(value, dict)
    )


def _bare(key: str) -> str:
    """A key's name in words, without its unit."""
    return key.removesuffix("_" + unit_of(key).lower().replace("/", "_per_")).replace("_", " ")


def _told(value: Any, unit: str = "") -> str:
    if value is None:
        return "none"
    if isinstance(value, bool):
        return "true" if value else "false"
    if _is_number(value):
        return f"{value:g} {unit}".rstrip()
    if isinstance(value, list):
        return ", ".join(_told(item, unit) for item in value) or "none"
    if isinstance(value, Mapping):
        told = ", ".join(f"{_bare(key)} {_told(item, unit_of(key))}" for key, item in value.items())
        return f"({told})"
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    return text if len(text) <= LONGEST_TEXT else f"{text[: LONGEST_TEXT - 3]}..."


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _decisions(rows: list[Record]) -> Iterator[str]:
    """A row a stage with the figures that differ audibly; the others are counted."""
    places: dict[str, list[str]] = {}
    smaller = 0
    for row in rows:
        if _is_small(row):
            smaller += 1
        else:
            places.setdefault(row["label"], []).append(_figure(row))
    yield from (f"{label}: {', '.join(figures)}" for label, figures in places.items())
    if smaller:
        one = smaller == 1
        yield f"{smaller} smaller difference{'' if one else 's, each'} under {WORKING_DB:g} dB"


def _is_small(row: Record) -> bool:
    if not (_is_number(row["before"]) and _is_number(row["after"])) or row["unit"] == "frames":
        return False
    return bool(round(abs(row["after"] - row["before"]), 2) < WORKING_DB)


def _figure(row: Record) -> str:
    figure, before, after, unit = row["figure"], row["before"], row["after"], row["unit"]
    if figure == "third octaves":
        return _third_octaves(before, after)
    if figure == "added":
        return f"added. {after}"
    if _is_number(after) and unit != "frames":
        written = _signed if figure in {"level change", "trim"} else "{:.1f}".format
        return f"{figure} {'silence' if before is None else written(before)} -> {written(after)} {unit}"
    if figure == "leaves at":
        return f"{figure} {before:.1f} {unit} -> silence"
    return f"{figure} {_told(before)} -> {_told(after, unit)}"


def _third_octaves(before: Mapping[str, float], after: Mapping[str, float]) -> str:
    """Neighbours that moved the same way together, by the most among them."""
    runs: list[list[str]] = []
    for name in before:
        last = runs[-1][-1] if runs else ""
        follows = last and NOMINAL_HZ.index(last) + 1 == NOMINAL_HZ.index(name)
        if follows and (after[last] > before[last]) == (after[name] > before[name]):
            runs[-1].append(name)
        else:
            runs.append([name])
    return "third octaves " + ", ".join(_run(run, before, after) for run in runs)


def _run(names: list[str], before: Mapping[str, float], after: Mapping[str, float]) -> str:
    most = max(names, key=lambda name: abs(after[name] - before[name]))
    change = f"{_signed(before[most])} -> {_signed(after[most])} dB"
    if len(names) == 1:
        return f"{most} Hz {change}"
    return f"{names[0]} to {names[-1]} Hz, most at {most} Hz {change}"


def _signed(value: float) -> str:
    return f"{round(value, 1) + 0.0:+.1f}"


def _files(found: Record) -> Iterator[str]:
    if not found:
        return
    yield from (f"{name}: only in the first" for name in found["only_before"])
    yield from (f"{name}: only in the second" for name in found["only_after"])
    if found["other_bytes"]:
        yield f"{len(found['other_bytes'])} of {found['of']} files have other bytes"


def _sound(rows: list[Record]) -> Iterator[str]:
    """A table: files by their loudness and the residue in each octave that can be heard in them."""
    if not rows:
        return
    octaves = list(dict.fromkeys(name for row in rows for name in row["octaves"]))
    names = [_file(row) for row in rows]
    width = max(map(len, names))
    yield " ".join([" " * width, "   louder", *(f"{_short(name):>5}" for name in octaves)])
    for name, row in zip(names, rows, strict=True):
        told = _residues(row["octaves"])
        cells = [f"{told.get(octave, ''):>5}" for octave in octaves]
        yield f"{name:{width}} {_louder(row):>9} {' '.join(cells)}".rstrip()


def _file(row: Record) -> str:
    """What a file is: its folder and piece, which tell stems of two deliveries apart, and its rate."""
    folder = PurePosixPath(row["after_file"]).parent.as_posix().replace("_", " ")
    return f"{'' if folder == '.' else f'{folder}, '}{row['piece']}, {row['rate_hz'] / 1000:g} kHz"


def _short(name: str) -> str:
    return f"{name[:-3]}k" if name.endswith("000") else name


def _louder(row: Record) -> str:
    if "loudness_difference_lu" in row:
        return f"{_signed(row['loudness_difference_lu'])} LU"
    return f"{_signed(row['level_difference_db'])} dB" if "level_difference_db" in row else "-"


def _residues(octaves: Mapping[str, Record]) -> dict[str, str]:
    """Residue of each octave where sound or residue comes within 60 dB of the loudest."""
    levels = {
        name: max(_level(each, "before_dbfs"), _level(each, "residue_dbfs")) for name, each in octaves.items()
    }
    loudest = max(levels.values())
    return {
        name: _residue(each)
        for name, each in octaves.items()
        if math.isfinite(levels[name]) and levels[name] >= loudest - HEARD_DB
    }


def _level(found: Record, key: str) -> float:
    return -math.inf if found[key] is None else float(found[key])


def _residue(found: Record) -> str:
    if found["residue_dbfs"] is None:
        return "none"
    if found["residue_db"] is None:
        return "new"
    if found["residue_db"] < LEAST_TOLD_DB:
        return f"<{LEAST_TOLD_DB:.0f}"
    return f"{round(found['residue_db']):+d}"
