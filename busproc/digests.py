"""Digests of what is done to a song: two that are equal give the same sound."""

from __future__ import annotations

import hashlib
import importlib.metadata
import json
from functools import cache
from typing import Any

from busproc.chain import Chain
from busproc.files import sha256_file
from busproc.settings import named_files
from busproc.song import Song

LIBRARIES = ("numpy", "scipy", "numba", "soundfile", "soxr")
UNHEARD = ("schema_", "song", "notes", "deliver", "tags")
"""What a session holds that its mix does not depend on."""

WORDS = {"schema_", "title", "purpose", "not_for", "listen_for"}
"""What a chain holds for people only."""

Record = dict[str, Any]


def versions_in_use() -> dict[str, str]:
    """What a sound may depend on: this project and the libraries it works with."""
    return {name: version_of(name) for name in ("busproc", *LIBRARIES)}


@cache
def version_of(name: str) -> str:
    """Version of an installed distribution."""
    return importlib.metadata.version(name)


def treatment_sha256(song: Song) -> str:
    """One digest of all that is done to a song: settings, chains, inputs, version; not of names and words."""
    settings = song.session.model_dump(mode="json", by_alias=True, exclude={"schema_"})
    return sha256_of(
        {
            "busproc": version_of("busproc"),
            "session": _without_file_names(settings),
            "chains": _chains(song),
            "inputs": _inputs(song),
        }
    )


def mix_sha256(song: Song) -> str:
    """One digest of all that the mix is made of; not of how it is delivered."""
    settings = song.session.model_dump(mode="json", by_alias=True, exclude=set(UNHEARD))
    return sha256_of([versions_in_use(), _without_file_names(settings), _chains(song), _inputs(song)])


def sha256_of(document: Any) -> str:
    """Digest of anything that JSON can hold, whatever the order of keys."""
    text = json.dumps(document, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def _chains(song: Song) -> Record:
    return {bus.place: chain_document(bus.chain) for bus in song.buses.values()}


def chain_document(chain: Chain) -> Record:
    """A chain as JSON holds it, without words for people; files that it names by what they hold."""
    document = chain.model_dump(mode="json", by_alias=True, exclude=WORDS)
    files = {where: sha256_file(file.path) for where, file in named_files(chain)}
    return document | ({"files": files} if files else {})


def _inputs(song: Song) -> list[tuple[str, str]]:
    return [(file.stem.name, sha256) for file in song.files.values() for _, _, sha256 in file.inputs]


def _without_file_names(settings: Record) -> Record:
    """A session's settings without the names of its chain files, whose contents count."""
    kinds = ("stems", "groups", "returns")
    faders = {kind: [fader | {"chain": None} for fader in settings[kind]] for kind in kinds}
    return {**settings, **faders, "mix_bus": {}}
