"""What a render reads must outlive it: no file is written over a stem, a chain or the session."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

from busproc.errors import InputError
from busproc.song import Song


def refuse_inputs(song: Song, finals: Iterable[Path]) -> None:
    """Refuse to write over what the song is made of.

    Raises
    ------
    InputError
        A file to be written is one of the song's own, by whatever way it is reached.
    """
    own = {path.resolve(): path for path in _inputs(song)}
    for final in finals:
        if final.resolve() in own:
            raise InputError(f"{final} is one of the song's own files; choose another folder for the results")


def _inputs(song: Song) -> Iterator[Path]:
    folder = song.path.parent
    yield song.path
    yield from (file.path for file in song.files.values())
    yield from (folder / bus.fader.chain for bus in song.buses.values() if bus.fader.chain is not None)
