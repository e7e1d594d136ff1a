"""What a render reads must outlive it: no file is written over a stem, a chain or the session."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from busproc.errors import InputError
from busproc.settings import named_files
from busproc.song import Song


def refuse_inputs(song: Song, finals: Iterable[Path]) -> None:
    """Refuse to write over what the song is made of.

    Raises
    ------
    InputError
        A file to be written is one of the song's own, by whatever way it is reached.
    """
    own = own_files(song)
    for final in finals:
        if final.resolve() in own:
            raise InputError(f"{final} is one of the song's own files; choose another folder for the results")


def own_files(song: Song) -> set[Path]:
    """Where the files lie that a song is made of, links followed."""
    folder = song.path.parent
    chains = [folder / bus.fader.chain for bus in song.buses.values() if bus.fader.chain is not None]
    named = [file.path for bus in song.buses.values() for _, file in named_files(bus.chain)]
    stems = [path for file in song.files.values() for _, path, _ in file.inputs]
    return {path.resolve() for path in (song.path, *chains, *named, *stems)}
