"""Mix-bus processing as an offline, deterministic render.

Chain files (JSON) build a DSP chain; session files fold stems through groups and sends into the mix
bus; `render` writes the audio and a log of every decision.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from busproc.album.loading import load_album
    from busproc.album.rendering import Recorded, plan_album, render_album
    from busproc.chain import Chain, load_chain, process
    from busproc.checking.check import Checked, check
    from busproc.comparing.compare import compare
    from busproc.delivery.printing import Printed, print_session
    from busproc.engine import Engine
    from busproc.errors import AudioFileError, BusprocError, InputError, RenderError, SettingsFileError
    from busproc.hits.finding import find_hits
    from busproc.measure.meter import Meter, Reading
    from busproc.presets import load_preset, preset_names
    from busproc.rendering import Rendered, render
    from busproc.session import Session
    from busproc.shootouts.loading import load_shootout
    from busproc.shootouts.rendering import Compared, shootout
    from busproc.song import Song, load_session

__all__ = [
    "AudioFileError",
    "BusprocError",
    "Chain",
    "Checked",
    "Compared",
    "Engine",
    "InputError",
    "Meter",
    "Printed",
    "Reading",
    "Recorded",
    "RenderError",
    "Rendered",
    "Session",
    "SettingsFileError",
    "Song",
    "check",
    "compare",
    "find_hits",
    "load_album",
    "load_chain",
    "load_preset",
    "load_session",
    "load_shootout",
    "plan_album",
    "preset_names",
    "print_session",
    "process",
    "render",
    "render_album",
    "shootout",
]

_HOMES = {
    "busproc.album.loading": ("load_album",),
    "busproc.album.rendering": ("Recorded", "plan_album", "render_album"),
    "busproc.chain": ("Chain", "load_chain", "process"),
    "busproc.checking.check": ("Checked", "check"),
    "busproc.comparing.compare": ("compare",),
    "busproc.delivery.printing": ("Printed", "print_session"),
    "busproc.engine": ("Engine",),
    "busproc.errors": ("AudioFileError", "BusprocError", "InputError", "RenderError", "SettingsFileError"),
    "busproc.hits.finding": ("find_hits",),
    "busproc.measure.meter": ("Meter", "Reading"),
    "busproc.presets": ("load_preset", "preset_names"),
    "busproc.rendering": ("Rendered", "render"),
    "busproc.session": ("Session",),
    "busproc.shootouts.loading": ("load_shootout",),
    "busproc.shootouts.rendering": ("Compared", "shootout"),
    "busproc.song": ("Song", "load_session"),
}


def __dir__() -> list[str]:
    """The public names, imported yet or not."""
    return sorted({*globals(), *__all__})


def __getattr__(name: str) -> Any:
    """Import a public name on first use, so that `busproc --help` stays quick."""
    for home, names in _HOMES.items():
        if name in names:
            return getattr(importlib.import_module(home), name)
    raise AttributeError(f"module 'busproc' has no attribute {name!r}")
