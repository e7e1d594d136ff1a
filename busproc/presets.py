"""The chain files that come with busproc."""

from __future__ import annotations

from pathlib import Path

from busproc.chain import Chain, load_chain
from busproc.errors import InputError
from busproc.jsonfile import nearest


def preset_folder() -> Path:
    """Where they lie: inside an installed package, or beside it in a checkout."""
    inside = Path(__file__).parent / "_presets"
    return inside if inside.is_dir() else Path(__file__).parent.parent / "presets"


def preset_names() -> list[str]:
    """Names of all presets, sorted."""
    return sorted(file.stem for file in preset_folder().glob("*.json"))


def preset_path(name: str) -> Path:
    """The file of a preset.

    Raises
    ------
    InputError
        When there is none of this name.
    """
    names = preset_names()
    if name not in names:
        raise InputError(f"{name!r} is not a preset; there are {', '.join(names)}{nearest(name, names)}")
    return preset_folder() / f"{name}.json"


def load_preset(name: str) -> Chain:
    """Read a preset."""
    return load_chain(preset_path(name))


def preset_list() -> str:
    """Every preset with what it is for, what not, and what to listen for: a line each."""
    presets = {name: load_preset(name) for name in preset_names()}
    width = max(map(len, presets)) + 2
    lines = []
    for name, chain in presets.items():
        said = (chain.purpose, f"not for: {chain.not_for}", f"listen for: {chain.listen_for}")
        lines += [f"{head:{width}}{line}" for head, line in zip((name, "", ""), said, strict=True)]
    return "\n".join(lines)
