"""Check a file of any kind, with everything it names."""

from __future__ import annotations

import json
from pathlib import Path

from busproc.chain import Chain, load_chain
from busproc.errors import SettingsFileError
from busproc.session import Session
from busproc.song import load_session

KINDS = {model.model_fields["format"].default: model for model in (Chain, Session)}


def validate_file(path: Path, *, allow_outside: bool = False) -> str:
    """Check a chain or session file.

    Returns
    -------
    str
        What was found, in a few words.

    Raises
    ------
    SettingsFileError
        With every fault.
    """
    if _format_of(path) == Session.model_fields["format"].default:
        song = load_session(path, allow_outside=allow_outside)
        counts = ", ".join(
            f"{sum(bus.kind == kind for bus in song.buses.values())} {kind}"
            for kind in ("stems", "groups", "returns")
        )
        return f"good session: {counts}, {song.frames / song.rate_hz:.1f} s at {song.rate_hz} Hz"
    stages = load_chain(path).stages
    return f"good chain: {', '.join(stage.tag for stage in stages) or 'no stages'}"


def _format_of(path: Path) -> str | None:
    """Format a file claims, none where it cannot be told: then reading it as a chain tells why."""
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return None
    claimed = data.get("format") if isinstance(data, dict) else None
    if claimed is not None and claimed not in KINDS:
        known = " or ".join(f'"{kind}"' for kind in KINDS)
        raise SettingsFileError(path, [f"format: this is {json.dumps(claimed)}; busproc checks {known}"])
    return claimed
