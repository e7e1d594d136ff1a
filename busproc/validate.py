"""Check a file of any kind, with everything it names."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

from busproc.album.loading import load_album
from busproc.album.settings import Album
from busproc.chain import Chain, load_chain
from busproc.errors import AudioFileError, SettingsFileError
from busproc.files import inspect
from busproc.hits.settings import HitList
from busproc.hits.telling import hits_in_words
from busproc.jsonfile import load_settings, read_object
from busproc.session import Session
from busproc.settings import named_files
from busproc.shootouts.loading import load_shootout
from busproc.shootouts.settings import Shootout
from busproc.song import load_session

KINDS = CHAIN, SESSION, ALBUM, SHOOTOUT, HITS = tuple(
    model.model_fields["format"].default for model in (Chain, Session, Album, Shootout, HitList)
)


def validate_file(path: Path, *, allow_outside: bool = False) -> str:
    """Check a chain, session, album, shootout or hit file.

    Returns
    -------
    str
        What was found, in a few words.

    Raises
    ------
    SettingsFileError
        With every fault.
    """
    found = read_object(path).get("format")
    if found == CHAIN:
        return _chain_in_words(path)
    if found == SESSION:
        return _session_in_words(path, allow_outside=allow_outside)
    if found == ALBUM:
        return _album_in_words(path, allow_outside=allow_outside)
    if found == SHOOTOUT:
        return _shootout_in_words(path, allow_outside=allow_outside)
    if found == HITS:
        return f"good hits: {hits_in_words(load_settings(path, HitList))}"
    what = "missing" if found is None else f"this is {json.dumps(found)}"
    known = ", ".join(f'"{each}"' for each in KINDS)
    raise SettingsFileError(path, [f"format: {what}; busproc checks {known}"])


def _album_in_words(path: Path, *, allow_outside: bool) -> str:
    tracks = load_album(path, allow_outside=allow_outside).tracks
    length_s = sum(track.song.frames / track.song.rate_hz for track in tracks)
    return f"good album: {len(tracks)} songs, {length_s:.1f} s"


def _shootout_in_words(path: Path, *, allow_outside: bool) -> str:
    songs = load_shootout(path, allow_outside=allow_outside).songs
    return f"good shootout: {len(songs[0].variations)} variations, controls among them, on {len(songs)} songs"


def _chain_in_words(path: Path) -> str:
    chain = load_chain(path)
    faults = list(_file_faults(chain))
    if faults:
        raise SettingsFileError(path, faults)
    stages = chain.stages
    return f"good chain: {', '.join(stage.tag for stage in stages) or 'no stages'}"


def _file_faults(chain: Chain) -> Iterator[str]:
    for where, file in named_files(chain):
        try:
            inspect(file.path)
        except AudioFileError as error:
            yield f"{where}: {error}"


def _session_in_words(path: Path, *, allow_outside: bool) -> str:
    song = load_session(path, allow_outside=allow_outside)
    session = song.session
    return (
        f"good session: stems {len(session.stems)}, groups {len(session.groups)}, "
        f"returns {len(session.returns)}; {song.frames / song.rate_hz:.1f} s at {song.rate_hz} Hz"
    )
