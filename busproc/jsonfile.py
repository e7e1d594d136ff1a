"""JSON files to settings, with every fault of a file told at once in the user's own terms."""

from __future__ import annotations

import difflib
import functools
import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from busproc.errors import SettingsFileError
from busproc.settings import PublishedSchema, unit_of

M = TypeVar("M", bound=BaseModel)
Schema = dict[str, Any]
Loc = tuple[int | str, ...]


def load_settings(path: Path | str, model: type[M]) -> M:
    """Read a JSON file into an immutable object.

    Parameters
    ----------
    path
        The file.
    model
        A settings class with a `format` field that names kind and version.

    Raises
    ------
    SettingsFileError
        With all faults of the file: each its JSON path, what is wrong, what is allowed.
    """
    text = _read_text(path)
    data = _parse(path, text)
    _check_format(path, data, model)
    try:
        return model.model_validate_json(text, strict=True)
    except ValidationError as error:
        raise SettingsFileError(path, faults_of(error, model)) from None


def _read_text(path: Path | str) -> str:
    try:
        return Path(path).read_text(encoding="utf-8")
    except FileNotFoundError:
        raise SettingsFileError(path, ["no such file"]) from None
    except IsADirectoryError:
        raise SettingsFileError(path, ["is a folder, not a JSON file"]) from None
    except UnicodeDecodeError as error:
        raise SettingsFileError(path, [f"is not UTF-8 text (byte {error.start})"]) from None
    except OSError as error:
        raise SettingsFileError(path, [f"cannot be read: {error.strerror}"]) from None


def _parse(path: Path | str, text: str) -> dict[str, Any]:
    repeated: list[str] = []

    def unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        keys = [key for key, _ in pairs]
        repeated.extend(key for key in dict.fromkeys(keys) if keys.count(key) > 1)
        return dict(pairs)

    try:
        data = json.loads(text, object_pairs_hook=unique)
    except json.JSONDecodeError as error:
        where = f"line {error.lineno}, column {error.colno}"
        raise SettingsFileError(path, [f"{where}: not valid JSON: {error.msg.lower()}"]) from None
    except RecursionError:
        raise SettingsFileError(path, ["is nested too deeply"]) from None
    if not isinstance(data, dict):
        raise SettingsFileError(path, [f"must hold one JSON object, not {_shown(data)}"])
    if repeated:
        raise SettingsFileError(path, [f"key {key!r} stands twice in one object" for key in repeated])
    return data


def _check_format(path: Path | str, data: dict[str, Any], model: type[BaseModel]) -> None:
    wanted = model.model_fields["format"].default
    if "format" not in data:
        raise SettingsFileError(path, [f'format: missing; a file of this kind says "format": "{wanted}"'])
    if data["format"] != wanted:
        raise SettingsFileError(
            path, [f'format: this is {_shown(data["format"])}; here busproc reads "{wanted}"']
        )


def faults_of(error: ValidationError, model: type[BaseModel]) -> list[str]:
    """Tell each fault of a validation in a line of its own, in the order of the file."""
    schema = schema_of(model)
    rows = [_fault(dict(detail), schema) for detail in error.errors(include_url=False)]
    return list(dict.fromkeys(row for row in rows if row))


@functools.cache
def schema_of(model: type[BaseModel]) -> Schema:
    """JSON Schema of a settings class, as it is published."""
    made = model.model_json_schema(schema_generator=PublishedSchema)
    return {"$schema": PublishedSchema.schema_dialect, **made}


def _fault(detail: dict[str, Any], schema: Schema) -> str:
    kind, given = detail["type"], detail.get("input")
    if kind == "too_short" and isinstance(given, tuple):
        return ""  # pydantic's echo of a list whose items were refused
    where, node, parent = _walk(detail["loc"], schema)
    key = where.rpartition(".")[2]
    if kind == "extra_forbidden":
        return f"{where}: unknown key{nearest(key, parent.get('properties', {}))}"
    if kind == "missing":
        return f"{where}: missing; {_allowed(key, node)}"
    if kind in {"union_tag_not_found", "union_tag_invalid"}:
        return _tag_fault(where, node, detail["ctx"].get("tag"))
    if kind == "value_error":
        return f"{where}: {detail['ctx']['error']}" if where else str(detail["ctx"]["error"])
    hint = nearest(given, [str(c) for c in node.get("enum", [])]) if isinstance(given, str) else ""
    return f"{where}: {_allowed(key, node) or detail['msg']}, not {_shown(given)}{hint}"


def _tag_fault(where: str, node: Schema, tag: str | None) -> str:
    telling = f"{where}.{node['discriminator']['propertyName']}"
    tags = sorted(node["discriminator"]["mapping"])
    if tag is None:
        return f"{telling}: missing; must be one of {', '.join(tags)}"
    return f"{telling}: {tag!r} is not one of {', '.join(tags)}{nearest(tag, tags)}"


def _walk(loc: Loc, schema: Schema) -> tuple[str, Schema, Schema]:
    """Follow an error's location through the schema: (path as written, its schema, its parent's)."""
    node = _resolve(schema, schema)
    parent, where = node, ""
    for step in loc:
        if isinstance(step, int):
            parent, node, where = node, _resolve(node.get("items", {}), schema), f"{where}[{step}]"
        elif step in (mapping := node.get("discriminator", {}).get("mapping", {})):
            node = _resolve({"$ref": mapping[step]}, schema)
        elif node.get("type") == "object" or "properties" in node:
            parent, node = node, _resolve(node.get("properties", {}).get(step, {}), schema)
            where = f"{where}.{step}" if where else str(step)
    return where, node, parent


def _resolve(node: Schema, schema: Schema) -> Schema:
    if "$ref" in node:
        target: Schema = schema["$defs"][node["$ref"].rpartition("/")[2]]
        return {**target, **{k: v for k, v in node.items() if k != "$ref"}}
    some = [option for option in node.get("anyOf", []) if option.get("type") != "null"]
    if len(some) == 1:
        rest = {k: v for k, v in node.items() if k != "anyOf"}
        return {**_resolve(some[0], schema), **rest}
    return node


def _allowed(key: str, node: Schema) -> str:
    kind = node.get("type")
    if "enum" in node:
        return f"must be one of {', '.join(str(choice) for choice in node['enum'])}"
    if "const" in node:
        return f"must be {_shown(node['const'])}"
    if kind in {"number", "integer"}:
        noun = "a whole number" if kind == "integer" else "a number"
        bounds = f" from {node['minimum']:g} to {node['maximum']:g}" if "minimum" in node else ""
        return f"must be {noun}{bounds} {unit_of(key)}".rstrip()
    nouns = {"string": "text", "boolean": "true or false", "array": "a list", "object": "an object"}
    if kind == "string" and "pattern" in node:
        return f"must be text of the form {node['pattern']}"
    if kind == "array" and node.get("minItems"):
        return f"must be a list of at least {node['minItems']}"
    return f"must be {nouns[kind]}" if kind in nouns else ""


def nearest(word: object, known: Iterable[str]) -> str:
    """A hint for a misspelled word, or '' where nothing is near."""
    near = difflib.get_close_matches(str(word).lower(), list(known), n=1, cutoff=0.55)
    return f"; did you mean {near[0]}?" if near else ""


def _shown(value: Any) -> str:
    if isinstance(value, dict | list | tuple):
        return "an object" if isinstance(value, dict) else "a list"
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 60 else f"{text[:57]}..."
