"""The published JSON Schemas say what the code says, to programs that know nothing of the code."""

from __future__ import annotations

import copy
import json
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

import busproc.demo
from busproc.presets import preset_names, preset_path
from busproc.schema import KINDS, current, published

DEMO = Path(busproc.demo.__file__).parent / "files"
FILES = [*map(preset_path, preset_names()), *sorted(DEMO.rglob("*.json"))]
DOCUMENTS = [json.loads(file.read_text()) for file in FILES]
every_file = pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)


def validator(document):
    kind = document["format"].removeprefix("busproc-").partition("/")[0]
    return Draft202012Validator(json.loads(published(kind)))


def nodes(document, path=()):
    """Every value in a document with the steps that lead to it."""
    yield path, document
    children = {dict: lambda d: d.items(), list: enumerate}.get(type(document), lambda _: ())
    for step, child in children(document):
        yield from nodes(child, (*path, step))


def changed(document, path, change):
    """A copy in which the value at the path is changed in place, or replaced by what `change` returns."""
    document = copy.deepcopy(document)
    *way, last = ("document", *path)
    holder = {"document": document}
    for step in way:
        holder = holder[step]
    holder[last] = change(holder[last])
    return document if path else holder["document"]


def without(value, key):
    return {each: value[each] for each in value if each != key}


def refuses(document):
    return not validator(document).is_valid(document)


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_published_is_what_the_code_says(kind):
    assert published(kind) == current(kind), "run python -m busproc.schema"


@pytest.mark.parametrize("kind", KINDS)
def test_the_schema_is_a_json_schema(kind):
    schema = json.loads(published(kind))
    assert schema["$schema"] == Draft202012Validator.META_SCHEMA["$id"]
    Draft202012Validator.check_schema(schema)


@every_file
def test_presets_and_the_demo_are_accepted(file):
    document = json.loads(file.read_text())
    validator(document).validate(document)


@every_file
def test_an_unknown_key_is_refused_in_every_object(file):
    document = json.loads(file.read_text())
    objects = [
        path
        for path, value in nodes(document)
        if isinstance(value, dict)
        and path[-1:] not in {("trim_db",), ("by",), ("set",)}  # names of your own are keys
    ]
    assert objects
    for path in objects:
        assert refuses(changed(document, path, lambda value: value | {"unknown": 1})), path


def test_a_key_that_says_what_an_object_is_may_not_be_left_out():
    tried = {"format": 0, "stage": 0, "shape": 0}
    for document in DOCUMENTS:
        for path, _ in nodes(document):
            if path and path[-1] in tried:
                left_out = changed(document, path[:-1], lambda value, key=path[-1]: without(value, key))
                assert not validator(document).is_valid(left_out), path
                tried[path[-1]] += 1
    assert all(tried.values())


def test_every_number_has_bounds_and_is_no_text():
    tried = 0
    for document in DOCUMENTS:
        for path, value in nodes(document):
            if (
                isinstance(value, int | float) and not isinstance(value, bool) and "set" not in path
            ):  # a setting's own bounds hold there
                for wrong in (1e9, -1e9, "1", True):
                    assert refuses(changed(document, path, lambda _, wrong=wrong: wrong)), (path, wrong)
                tried += 1
    assert tried > 50


@pytest.mark.parametrize("kind", KINDS)
def test_every_default_is_written_down_and_every_key_described(kind):
    schema = json.loads(published(kind))
    for node in (schema, *schema["$defs"].values()):
        for key, value in node.get("properties", {}).items():
            if key in {"format", "stage"}:
                continue
            assert value.get("description"), key
            assert ("default" in value) is (key not in node.get("required", [])), key
