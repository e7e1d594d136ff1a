"""Named changes of a chain: a stage by its name, tag or position, a setting by its path, a new value."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

from pydantic import ValidationError

from busproc.chain import Chain
from busproc.jsonfile import faults_of, nearest

STEP = re.compile(r"([\w ]+|\[\d+\])")


def changed(chain: Chain, changes: Mapping[str, Any]) -> tuple[Chain, list[str]]:
    """Apply changes such as `{"compressor.attack_ms": 60, "stages[2].drive_db": 3}`.

    Parameters
    ----------
    chain
        What to change.
    changes
        New values by path. The path begins with a stage's own name, its tag where only one stage has it,
        or `stages[n]`, and goes on with keys and positions.

    Returns
    -------
    tuple
        The changed chain, and what is wrong with the changes; with faults the chain is as it was.
    """
    document = json.loads(chain.model_dump_json(by_alias=True, exclude={"schema_"}))
    faults = [fault for path, value in changes.items() for fault in _apply(document, path, value)]
    if not faults:
        try:
            return chain.changed(document), []
        except ValidationError as error:
            faults = faults_of(error, Chain)
    return chain, faults


def _apply(document: dict[str, Any], path: str, value: Any) -> list[str]:
    """Put one value in its place; returns what is wrong with the path."""
    head, _, rest = path.partition(".")
    found = _stage(document, head)
    if isinstance(found, str):
        return [f"{path}: {found}"]
    node: Any = found
    *steps, last = STEP.findall(rest) or [""]
    for step in steps:
        node = _child(node, step)
    if not _has(node, last) or last == "stage":
        known = [key for key in node if key != "stage"] if isinstance(node, dict) else []
        return [f"{path}: there is no such setting{nearest(last, known)}"]
    node[_key(last)] = value
    return []


def _stage(document: dict[str, Any], head: str) -> dict[str, Any] | str:
    """The stage that a path begins with, or why there is none."""
    stages: list[dict[str, Any]] = document["stages"]
    place = re.fullmatch(r"stages\[(\d+)\]", head)
    if place:
        n = int(place[1])
        return stages[n] if n < len(stages) else f"there are only {len(stages)} stages"
    named = [stage for stage in stages if head in {stage.get("name"), stage["stage"]}]
    if len(named) == 1:
        return named[0]
    if named:
        places = [f"stages[{n}]" for n, stage in enumerate(stages) if stage in named]
        return f"{len(named)} stages are called {head!r}; say which: {', '.join(places)}"
    if not stages:
        return "the chain has no stages"
    known = [word for stage in stages for word in (stage.get("name"), stage["stage"]) if word]
    return f"no stage is called {head!r}{nearest(head, known)}"


def _key(step: str) -> str | int:
    return int(step[1:-1]) if step.startswith("[") else step


def _has(node: Any, step: str) -> bool:
    if isinstance(node, list):
        return step.startswith("[") and int(step[1:-1]) < len(node)
    return isinstance(node, dict) and step in node


def _child(node: Any, step: str) -> Any:
    return node[_key(step)] if _has(node, step) else None
