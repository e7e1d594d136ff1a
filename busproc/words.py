"""Tables and pages for the terminal."""

from __future__ import annotations

import inspect
import json
import re
from typing import Any

from busproc.errors import InputError
from busproc.jsonfile import nearest, schema_of
from busproc.settings import unit_of
from busproc.stages import REGISTRY, Stage

METER_COLUMNS = (
    ("integrated_lufs", "LUFS"),
    ("short_term_max_lufs", "S max"),
    ("momentary_max_lufs", "M max"),
    ("loudness_range_lu", "LRA LU"),
    ("true_peak_dbtp", "dBTP"),
    ("sample_peak_dbfs", "peak dBFS"),
    ("crest_factor_db", "crest dB"),
    ("correlation", "corr."),
)


def meter_table(readings: list[dict[str, Any]]) -> str:
    """Readings as lines under a head, one file each."""
    heads = [head for _, head in METER_COLUMNS]
    rows = [
        [_cell(reading[key], 2 if key == "correlation" else 1) for key, _ in METER_COLUMNS]
        for reading in readings
    ]
    widths = [max(len(row[k]) for row in [heads, *rows]) for k in range(len(heads))]
    lines = [heads, *rows]
    names = ["", *(reading["file"] for reading in readings)]
    return "\n".join(
        "  ".join([*(cell.rjust(width) for cell, width in zip(line, widths, strict=True)), name]).rstrip()
        for line, name in zip(lines, names, strict=True)
    )


def _cell(value: float | None, digits: int) -> str:
    return "-" if value is None else f"{value:.{digits}f}"


def stage_list() -> str:
    """Every stage with the first line of its description."""
    width = max(map(len, REGISTRY)) + 2
    return "\n".join(f"{tag:{width}}{_doc(stage).splitlines()[0]}" for tag, stage in REGISTRY.items())


def stage_page(tag: str) -> str:
    """A stage's description and all its settings.

    Raises
    ------
    InputError
        When there is no such stage.
    """
    if tag not in REGISTRY:
        raise InputError(f"{tag!r} is not a stage; there are {', '.join(REGISTRY)}{nearest(tag, REGISTRY)}")
    schema = schema_of(REGISTRY[tag])
    own = REGISTRY[tag].__name__
    parts = [f"{tag}: {_doc(REGISTRY[tag])}", "Settings:", *_settings(schema["$defs"].get(own, schema))]
    for name in _objects(schema, own):
        node = schema["$defs"][name]
        parts += [f"{name}: {node.get('description', '').splitlines()[0]}", *_settings(node)]
    return "\n".join(parts).rstrip()


def _objects(schema: dict[str, Any], own: str) -> list[str]:
    """Objects that a stage's settings hold, other stages and what only they hold left out."""
    stages = {stage.__name__ for stage in REGISTRY.values()}
    found: list[str] = []
    waiting = [schema["$defs"].get(own, schema)]
    while waiting:
        text = json.dumps({k: v for k, v in waiting.pop().items() if k != "$defs"})
        named = [n for n in re.findall(r'"#/\$defs/(\w+)"', text) if n not in {*stages, *found}]
        found += dict.fromkeys(named)
        waiting += [schema["$defs"][name] for name in dict.fromkeys(named)]
    return found


def _doc(stage: type) -> str:
    return inspect.cleandoc(stage.__doc__ or "") + "\n"


def _settings(schema: dict[str, Any]) -> list[str]:
    """Two lines for each setting: a stage's own first, then those that every stage has."""
    lines = []
    keys = [key for key in schema.get("properties", {}) if key != "stage"]
    for key in sorted(keys, key=lambda key: key in Stage.model_fields):
        node = schema["properties"][key]
        default = f", default {_plain(node['default'])}" if "default" in node else ""
        lines.append(f"  {key}: {_kind(key, node)}{default}")
        lines.append(f"      {node.get('description', '')}")
    return [*lines, ""]


def _kind(key: str, node: dict[str, Any]) -> str:
    if "anyOf" in node:
        kinds = [_kind(key, option) for option in node["anyOf"]]
        return " or ".join(kinds)
    if "enum" in node:
        return ", ".join(str(choice) for choice in node["enum"])
    if "const" in node:
        return str(node["const"])
    if "minimum" in node:
        return f"{node['minimum']:g} to {node['maximum']:g} {unit_of(key)}".rstrip()
    if "$ref" in node:
        return str(node["$ref"]).rpartition("/")[2]
    if node.get("type") == "array":
        return "list"
    return str(node.get("type", "object")).replace("string", "text")


def _plain(value: Any) -> str:
    return "null" if value is None else str(value)
