"""The wheel holds all that the program reads when it runs, and works without the folder it was built in."""

from __future__ import annotations

import json
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

import busproc
from busproc.presets import preset_names

PACKAGE = Path(busproc.__file__).parent
ROOT = PACKAGE.parent


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    folder = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", folder], cwd=ROOT, check=True
    )
    (file,) = folder.glob("*.whl")
    with zipfile.ZipFile(file) as opened:
        yield opened


def test_the_wheel_holds_every_file_of_the_package(wheel):
    files = [file for file in PACKAGE.rglob("*") if file.suffix in {".py", ".json", ".typed"}]
    names = {file.relative_to(ROOT).as_posix() for file in files}
    assert {"busproc/py.typed", "busproc/schemas/busproc-chain-1.schema.json"} <= names
    assert "busproc/demo/files/chains/mix_bus.json" in names
    assert names <= set(wheel.namelist())


def test_the_wheel_holds_the_presets(wheel):
    held = {Path(name).stem for name in wheel.namelist() if name.startswith("busproc/_presets/")}
    assert held == set(preset_names())


def test_the_wheel_holds_nothing_else(wheel):
    folders = {name.partition("/")[0] for name in wheel.namelist()}
    assert folders == {"busproc", f"busproc-{_version(wheel)}.dist-info"}
    assert not [name for name in wheel.namelist() if name.endswith((".pyc", ".nbc", ".nbi", ".wav"))]


def test_the_wheel_brings_the_command_and_the_licence(wheel):
    info = f"busproc-{_version(wheel)}.dist-info"
    assert "busproc = busproc.cli:main" in wheel.read(f"{info}/entry_points.txt").decode()
    assert f"{info}/licenses/LICENSE" in wheel.namelist()


def test_what_the_wheel_holds_runs_elsewhere(wheel, tmp_path):
    wheel.extractall(tmp_path)
    code = (
        "import busproc, json; from busproc import presets, schema;"
        "title = json.loads(schema.published('session'))['title'];"
        "print(json.dumps([busproc.__file__, presets.preset_names(), title]))"
    )
    told = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, check=True, capture_output=True, text=True
    ).stdout
    home, names, title = json.loads(told)
    assert Path(home).is_relative_to(tmp_path)
    assert names == preset_names()
    assert title == "Session"


def _version(wheel):
    (metadata,) = (name for name in wheel.namelist() if name.endswith(".dist-info/METADATA"))
    return metadata.partition("-")[2].removesuffix(".dist-info/METADATA")
