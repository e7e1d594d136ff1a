"""What a delivery carries to be made again: its session with every default written out, and its chains."""

from __future__ import annotations

import json
from typing import Any

from busproc.session import Session
from busproc.song import Song

FOLDER = "recall"
SESSION = f"{FOLDER}/session.json"


def texts(song: Song) -> dict[str, str]:
    """Each file's name in the delivery, and its text. Stems keep their paths from the session's folder."""
    names: dict[str, str] = {}
    made: dict[str, str] = {}
    for bus in song.buses.values():
        file = bus.fader.chain
        if file is not None and file not in names:
            names[file] = f"chains/{len(names) + 1:02d}_{bus.name.replace(' ', '_')}.json"
            made[f"{FOLDER}/{names[file]}"] = _json(
                bus.chain.model_dump(mode="json", by_alias=True, exclude={"schema_"})
            )
    return {SESSION: _json(_renamed(song.session, names)), **made}


def _renamed(session: Session, names: dict[str, str]) -> dict[str, Any]:
    """The session with its chains under their new names."""
    document = session.model_dump(mode="json", by_alias=True, exclude={"schema_"})
    faders = [*document["stems"], *document["groups"], *document["returns"], document["mix_bus"]]
    for fader in faders:
        fader["chain"] = names.get(fader["chain"])
    return document


def _json(document: dict[str, Any]) -> str:
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
