"""The arrow of imports: who may know whom, read from the source."""

from __future__ import annotations

import ast
import graphlib
from pathlib import Path

import pytest

import busproc

ROOT = Path(busproc.__file__).parent

MAY_IMPORT = {
    "kernels": {"kernels.jit", "kernels.vector", "kernels.window"},
    "measure": {"errors", "kernels", "measure"},
    "files": {"errors", "files", "kernels"},
    "stages": {"errors", "files", "kernels", "measure", "scratch", "settings", "stages"},
    "scratch": {"errors"},
    "studies": {"stages"},
    "errors": set(),
    "settings": set(),
    "jsonfile": {"errors", "settings"},
    "chain": {"errors", "jsonfile", "settings", "stages", "studies"},
    "pictures": {
        "chain",
        "errors",
        "files",
        "hits.settings",
        "hits.telling",
        "measure.decibels",
        "pictures",
        "settings",
        "stages",
        "studies",
    },
    "session": {"delivery.orders", "hits.reinforcing", "settings", "stages.gain"},
    "hits.reinforcing": {"settings"},
    "delivery.orders": {"settings"},
    "delivery.members": {"delivery.orders", "routes", "session"},
}
"""What each package or module may import of ours; whatever stands here for `x` holds for all in `x`."""


def modules():
    """Every module of ours by its name within the package, with its syntax tree."""
    for file in sorted(ROOT.rglob("*.py")):
        parts = file.relative_to(ROOT).with_suffix("").parts
        yield ".".join(part for part in parts if part != "__init__"), ast.parse(file.read_text())


def imported(tree):
    """Names within the package that a tree imports, wherever the import stands."""
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports name the package"
            if (node.module or "").partition(".")[0] == "busproc":
                yield from _modules_meant(node)
        if isinstance(node, ast.Import):
            yield from (_inner(each.name) for each in node.names if each.name.partition(".")[0] == "busproc")


def _modules_meant(node):
    """`from busproc.kernels import limit` means kernels.limit, `from busproc.errors import X` errors."""
    for each in node.names:
        name = _inner(f"{node.module}.{each.name}")
        as_file = ROOT.joinpath(*name.split("."))
        is_module = as_file.is_dir() or as_file.with_suffix(".py").is_file()
        yield name if is_module else _inner(node.module)


def _inner(name):
    return name.removeprefix("busproc").removeprefix(".")


IMPORTS = {name: set(imported(tree)) for name, tree in modules()}


def within(name, homes):
    return any(name == home or name.startswith(f"{home}.") for home in homes)


@pytest.mark.parametrize("place", MAY_IMPORT)
def test_modules_import_only_what_they_may(place):
    ours = [name for name in IMPORTS if within(name, {place})]
    assert ours
    for name in ours:
        strangers = {each for each in IMPORTS[name] if not within(each, MAY_IMPORT[place])}
        assert not strangers, name


def test_a_session_that_is_read_knows_nothing_of_how_it_runs():
    for name in ("song", "routes", "sources"):
        assert not {
            each
            for each in IMPORTS[name]
            if within(each, {"routing", "mixing", "run", "making", "rendering", "delivery.sets"})
        }


def test_nothing_imports_the_command_line():
    assert [name for name, found in IMPORTS.items() if "cli" in found] == ["__main__"]


def test_imports_go_round_in_no_circle():
    """Types included. The package itself names all and is named by none."""
    graph = {name: found - {name} for name, found in IMPORTS.items() if name}
    assert "" not in set().union(*graph.values())
    list(graphlib.TopologicalSorter(graph).static_order())
