"""Check a file of any kind, with everything it names."""

from __future__ import annotations

import json
from pathlib import Path

from busproc.album.loading import load_album
from busproc.album.settings import Album
from busproc.chain import Chain, load_chain
from busproc.errors import SettingsFileError
from busproc.jsonfile import read_object
from busproc.session import Session
from busproc.song import load_session

CHAIN, SESSION, ALBUM = (model.model_fields["format"].default for model in (Chain, Session, Album))


def validate_file(path: Path, *, allow_outside: bool = False) -> str:
    """Check a chain, session or album file.

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
    what = "missing" if found is None else f"this is {json.dumps(found)}"
    raise SettingsFileError(path, [f'format: {what}; busproc checks "{CHAIN}", "{SESSION}" and "{ALBUM}"'])


def _album_in_words(path: Path, *, allow_outside: bool) -> str:
    tracks = load_album(path, allow_outside=allow_outside).tracks
    length_s = sum(track.song.frames / track.song.rate_hz for track in tracks)
    return f"good album: {len(tracks)} songs, {length_s:.1f} s"


def _chain_in_words(path: Path) -> str:
    stages = load_chain(path).stages
    return f"good chain: {', '.join(stage.tag for stage in stages) or 'no stages'}"


def _session_in_words(path: Path, *, allow_outside: bool) -> str:
    song = load_session(path, allow_outside=allow_outside)
    session = song.session
    return (
        f"good session: stems {len(session.stems)}, groups {len(session.groups)}, "
        f"returns {len(session.returns)}; {song.frames / song.rate_hz:.1f} s at {song.rate_hz} Hz"
    )
