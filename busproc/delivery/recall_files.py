"""What a delivery carries to be made again: its session with every default written out, and its chains."""

from __future__ import annotations

import json
from typing import Any

from busproc.routes import MIX_BUS
from busproc.session import Session
from busproc.song import Song

FOLDER = "recall"
SESSION = f"{FOLDER}/session.json"
CHAINS = "chains"


def texts(song: Song) -> dict[str, str]:
    """Each file's name in the delivery, and its text. Stems keep their paths from the session's folder."""
    names: dict[str, str] = {}
    files: dict[str, str] = {}
    for bus in song.buses.values():
        chain = bus.chain.seen_from(bus.chain.files_folder / CHAINS)
        text = _json(chain.model_dump(mode="json", by_alias=True, exclude={"schema_"}))
        if bus.chain.stages and text not in files:
            files[text] = f"{CHAINS}/{len(files) + 1:02d}_{bus.name.replace(' ', '_')}.json"
        if bus.chain.stages:
            names[bus.name] = files[text]
    session = _json(_renamed(song.session, names))
    return {SESSION: session, **{f"{FOLDER}/{name}": text for text, name in files.items()}}


def _renamed(session: Session, names: dict[str, str]) -> dict[str, Any]:
    """The session with its chains under their new names."""
    document = session.model_dump(mode="json", by_alias=True, exclude={"schema_"})
    document["mix_bus"]["chain"] = names.get(MIX_BUS)
    for fader in (*document["stems"], *document["groups"], *document["returns"]):
        fader["chain"] = names.get(fader["name"])
    return document


def _json(document: dict[str, Any]) -> str:
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
