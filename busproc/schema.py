"""The published JSON Schemas of chain, session, album, shootout and hit files."""

from __future__ import annotations

import json
from pathlib import Path

KINDS = ("chain", "session", "album", "shootout", "hits")


def schema_file(kind: str) -> Path:
    """The schema as it is published in the package."""
    return Path(__file__).parent / "schemas" / f"busproc-{kind}-1.schema.json"


def published(kind: str) -> str:
    """The published text."""
    return schema_file(kind).read_text(encoding="utf-8")


def current(kind: str) -> str:
    """The text that the code stands for; a test keeps the published one equal to it."""
    from busproc.album.settings import Album
    from busproc.chain import Chain
    from busproc.hits.settings import HitList
    from busproc.jsonfile import schema_of
    from busproc.session import Session
    from busproc.shootouts.settings import Shootout

    models = {"chain": Chain, "session": Session, "album": Album, "shootout": Shootout, "hits": HitList}
    return json.dumps(schema_of(models[kind]), indent=1, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    for each in KINDS:
        schema_file(each).write_text(current(each), encoding="utf-8")
