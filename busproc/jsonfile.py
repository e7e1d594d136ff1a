"""JSON files to settings, with every fault of a file told at once in the user's own terms."""

from __future__ import annotations

import difflib
import functools
import json
from collections import Counter
from collections.abc import Iterable
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from busproc.errors import SettingsFileError
from busproc.settings import PublishedSchema, unit_of

M = TypeVar("M", bound=BaseModel)
Schema = dict[str, Any]
Loc = tuple[int | str, ...]

FORMS = {
    r"^[^\x00-\x1f\x7f]*$": "in one line, without control characters",
    r"^\d{4}-\d\d-\d\d$": "year, month and day, as in 2026-01-31",
    r"^[A-Z]{2}[A-Z0-9]{3}\d{7}$": "two capitals, three capitals or digits, seven digits, no hyphens",
    r"^[\w][\w -]*$": "letters, digits, spaces, - and _, beginning with neither a space nor -",
}
"""Every pattern that text in a settings file must match: the same in words."""


def load_settings(path: Path | str, model: type[M], folder: Path | None = None) -> M:
    """Read a JSON file into an immutable object.

    Parameters
    ----------
    path
        The file.
    model
        A settings class with a `format` field that names kind and version.
    folder
        Where the files that it names are; its own folder, if none is given.

    Raises
    ------
    SettingsFileError
        With all faults of the file: each its JSON path, what is wrong, what is allowed.
    """
    text = _read_text(path)
    data = _parse(path, text)
    wanted = model.model_fields["format"].default
    if data.get("format", wanted) != wanted:
        found = _shown(data["format"])
        raise SettingsFileError(path, [f'format: this is {found}; here busproc reads "{wanted}"'])
    faults = [f"{where}: stands twice in one object" for where in _repeated(data)]
    if "format" not in data:
        faults.append(f'format: missing; a file of this kind says "format": "{wanted}"')
    try:
        settings = model.model_validate_json(
            text,
            strict=True,
            by_alias=True,
            by_name=False,
            context={"folder": Path(path).parent if folder is None else folder},
        )
    except ValidationError as error:
        faults += faults_of(error, model)
    else:
        if not faults:
            return settings
    raise SettingsFileError(path, faults)


def read_object(path: Path | str) -> dict[str, Any]:
    """Read a JSON file that holds one object, whatever it says.

    Raises
    ------
    SettingsFileError
        When it cannot be read or is no such file.
    """
    return _parse(path, _read_text(path))


class _Object(dict[str, Any]):
    """A JSON object that remembers which keys stood in it more than once."""

    def __init__(self, pairs: list[tuple[str, Any]]) -> None:
        super().__init__(pairs)
        counts = Counter(key for key, _ in pairs)
        self.repeated = [key for key, count in counts.items() if count > 1]


def _repeated(data: dict[str, Any]) -> list[str]:
    """JSON paths of keys that stand twice in one object."""
    found: list[str] = []
    nodes: list[tuple[str, Any]] = [("", data)]
    for where, node in nodes:  # a list that grows: nothing can be nested too deeply
        if isinstance(node, _Object):
            found += [_inside(where, key) for key in node.repeated]
            nodes += [(_inside(where, key), value) for key, value in node.items()]
        elif isinstance(node, list):
            nodes += [(f"{where}[{n}]", value) for n, value in enumerate(node)]
    return found


def _inside(where: str, key: str) -> str:
    return f"{where}.{key}" if where else key


def _read_text(path: Path | str) -> str:
    try:
        return Path(path).read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        there = [file.stem for file in Path(path).parent.glob("*.json")]
        hint = nearest(Path(path).stem, there).replace("?", ".json?")
        raise SettingsFileError(path, [f"no such file{hint}"]) from None
    except IsADirectoryError:
        raise SettingsFileError(path, ["is a folder, not a JSON file"]) from None
    except UnicodeDecodeError as error:
        raise SettingsFileError(
            path, [f"is not UTF-8 text (byte {error.start}), so it is no JSON file"]
        ) from None
    except OSError as error:
        raise SettingsFileError(path, [f"cannot be read: {error.strerror}"]) from None


def _parse(path: Path | str, text: str) -> dict[str, Any]:
    try:
        data = json.loads(text, object_pairs_hook=_Object)
    except json.JSONDecodeError as error:
        where = f"line {error.lineno}, column {error.colno}"
        what = error.msg.lower().removesuffix(" at")
        raise SettingsFileError(path, [f"{where}: not valid JSON: {what}"]) from None
    except ValueError:  # Python takes no longer number
        raise SettingsFileError(path, ["holds a whole number of more than 4300 digits"]) from None
    except RecursionError:
        raise SettingsFileError(path, ["is nested too deeply"]) from None
    if not isinstance(data, dict):
        raise SettingsFileError(path, [f"must hold one JSON object, not {_shown(data)}"])
    return data


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
    if kind == "json_invalid":
        return f"not valid JSON: {detail['ctx']['error']}"
    if kind == "too_short" and len(given or ()) >= detail["ctx"]["min_length"]:
        return ""  # pydantic's echo of a list whose items were refused
    where, node, parent = _walk(detail["loc"], schema)
    key = where.rpartition(".")[2]
    if kind == "extra_forbidden":
        return f"{where}: unknown key{nearest(key, parent.get('properties', {}))}"
    if kind == "missing":
        return f"{where}: missing; {_allowed(key, node)}"
    if kind in {"union_tag_not_found", "union_tag_invalid"}:
        return _tag_fault(where, node, given)
    if kind == "value_error":
        return f"{where}: {detail['ctx']['error']}" if where else str(detail["ctx"]["error"])
    hint = nearest(given, [str(c) for c in node.get("enum", [])]) if isinstance(given, str) else ""
    return f"{where}: {_allowed(key, node) or detail['msg']}, not {_shown(given)}{hint}"


def _tag_fault(where: str, node: Schema, given: Any) -> str:
    key = node["discriminator"]["propertyName"]
    tags = sorted(node["discriminator"]["mapping"])
    allowed = f"{where}.{key}: must be one of {', '.join(tags)}"
    if key not in given:
        return f"{where}.{key}: missing; must be one of {', '.join(tags)}"
    return f"{allowed}, not {_shown(given[key])}{nearest(given[key], tags)}"


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
            where = _inside(where, step)
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
    if "anyOf" in node:
        ways = [_allowed(key, option) for option in node["anyOf"] if option.get("type") != "null"]
        return "must be " + " or ".join(way.removeprefix("must be ") for way in ways)
    if "enum" in node:
        return f"must be one of {', '.join(str(choice) for choice in node['enum'])}"
    if "const" in node:
        return f"must be {_shown(node['const'])}"
    if kind in {"number", "integer"}:
        noun = "a whole number" if kind == "integer" else "a number"
        bounds = f" from {node['minimum']:g} to {node['maximum']:g}" if "minimum" in node else ""
        return f"must be {noun}{bounds} {unit_of(key)}".rstrip()
    if kind == "string":
        form = f": {FORMS[node['pattern']]}" if "pattern" in node else ""
        return f"must be text{_length(node.get('minLength', 0), node.get('maxLength'))}{form}"
    if kind == "array":
        return f"must be a list{_length(node.get('minItems', 0), node.get('maxItems'))}"
    if kind == "object" or "discriminator" in node:
        return "must be an object"
    return "must be true or false" if kind == "boolean" else ""


def _length(least: int, most: int | None) -> str:
    if most is None:
        return f" of length {least} or more" if least else ""
    return f" of length {least} to {most}"


def nearest(word: object, known: Iterable[str]) -> str:
    """A hint for a misspelled word, or '' where nothing is near."""
    plain = {name.lower(): name for name in known}
    near = difflib.get_close_matches(str(word).lower(), plain, n=1, cutoff=0.55)
    return f"; did you mean {plain[near[0]]}?" if near else ""


def _shown(value: Any) -> str:
    if isinstance(value, dict):
        return "an object"
    if isinstance(value, list):
        return f"a list of length {len(value)}"
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 60 else f"{text[:57]}..."
