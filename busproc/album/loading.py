"""An album with everything it names read and checked: its chain, its sessions, their files."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from busproc.album.settings import Album, AlbumSong
from busproc.chain import Chain, load_chain
from busproc.changes import changed
from busproc.delivery.faults import order_faults
from busproc.delivery.orders import plain_name
from busproc.errors import SettingsFileError
from busproc.jsonfile import load_settings
from busproc.routes import MIX_BUS
from busproc.song import Song, load_session, plan_faults
from busproc.stages.limiter import Limiter

MOST_ON_A_REEL = 99
"""Tracks that a CUE sheet can count, as a Compact Disc can (IEC 60908; from memory)."""


@dataclass(frozen=True)
class Track:
    """A song of a record: where it stands, what it is, and the chain it goes through."""

    number: int
    entry: AlbumSong
    song: Song
    chain: Chain

    @property
    def folder(self) -> str:
        """Name of the folder for its files."""
        return f"{self.number:02d}_{plain_name(self.song.session.song)}"


@dataclass(frozen=True)
class Record:
    """An album whose files have all been read and found good."""

    path: Path
    album: Album
    tracks: tuple[Track, ...]


def load_album(path: Path | str, *, allow_outside: bool = False) -> Record:
    """Read an album file and everything it names.

    Parameters
    ----------
    path
        The album file; paths inside are relative to its folder.
    allow_outside
        Whether paths in the sessions may lead out of their folders.

    Raises
    ------
    SettingsFileError
        With every fault: of the album, its chain, its sessions and all that they name.
    """
    path = Path(path)
    album = load_settings(path, Album)
    faults: list[str] = []
    shared = _chain(path, album, faults)
    tracks = [
        track
        for number, entry in enumerate(album.songs, 1)
        for track in _track(path, album, number, entry, shared, faults, allow_outside=allow_outside)
    ]
    if album.reel:
        faults += _reel_faults(album, tracks)
    if faults:
        raise SettingsFileError(path, faults)
    return Record(path, album, tuple(tracks))


def _chain(path: Path, album: Album, faults: list[str]) -> Chain:
    try:
        chain = load_chain(path.parent / album.chain)
    except SettingsFileError as error:
        faults += [f"chain = {album.chain}: {fault}" for fault in error.faults]
        return Chain()
    for n, stage in enumerate(chain.stages):
        if isinstance(stage, Limiter) and stage.target_lufs is not None:
            faults.append(
                f"chain = {album.chain}: stages[{n}].target_lufs: a shared chain has no target of its own; "
                'say it under "loudness"'
            )
    if album.loudness is not None and not (chain.stages and isinstance(chain.stages[-1], Limiter)):
        faults.append("loudness: needs a limiter at the end of the shared chain, which the gain goes into")
    return chain


def _track(
    path: Path,
    album: Album,
    number: int,
    entry: AlbumSong,
    shared: Chain,
    faults: list[str],
    *,
    allow_outside: bool,
) -> list[Track]:
    where = f"songs[{number - 1}]"
    chain = shared
    faults += [f"{where}.{fault}" for fault in _twice(entry)]
    for n, difference in enumerate(entry.exceptions):
        chain, wrong = changed(chain, difference.set)
        faults += [f"{where}.exceptions[{n}].set: {fault}" for fault in wrong]
    try:
        song = load_session(path.parent / entry.session, allow_outside=allow_outside)
    except SettingsFileError as error:
        faults += [f"{where}.session = {entry.session}: {fault}" for fault in error.faults]
        return []
    wrong = [f"chain = {album.chain}: {fault}" for fault in _chain_faults(song, chain)]
    if not wrong:
        song = song.with_mix_bus(chain, album.chain)
        song = replace(song, session=song.session.model_copy(update={"deliver": album.deliver}))
        wrong += order_faults(song.session, song.buses, song.rate_hz)
    faults += [f"{where}: {fault}" for fault in wrong]
    return [Track(number, entry, song, chain)]


def _twice(entry: AlbumSong) -> Iterator[str]:
    """Settings that a second exception would take back."""
    first: dict[str, int] = {}
    for n, difference in enumerate(entry.exceptions):
        for path in difference.set:
            if first.setdefault(path, n) != n:
                yield f"exceptions[{n}].set.{path}: exceptions[{first[path]}] sets it too; make one of both"


def _chain_faults(song: Song, chain: Chain) -> Iterator[str]:
    """What keeps a song from running the shared chain: its rate, or names that it has not."""
    yield from plan_faults(chain, song.rate_hz)
    for place, key in chain.key_inputs():
        if key.source == MIX_BUS or key.source not in song.buses:
            yield f"{place}.from: {key.source!r} is not a stem, group or return of this song"


def _reel_faults(album: Album, tracks: list[Track]) -> Iterator[str]:
    """What keeps the songs of a record from being written as one file."""
    if len(album.songs) > MOST_ON_A_REEL:
        yield f"reel: {len(album.songs)} songs are more than the {MOST_ON_A_REEL} that a CUE sheet counts"
    rates: dict[int, list[str]] = {}
    for track in tracks:
        rates.setdefault(album.mix.rate_of(track.song.rate_hz), []).append(track.song.session.song)
        fades_s, length_s = (
            track.entry.fade_in_s + track.entry.fade_out_s,
            track.song.frames / track.song.rate_hz,
        )
        if fades_s > length_s:
            yield (
                f"songs[{track.number - 1}]: fades of {fades_s:g} s together are longer than the song, "
                f"which lasts {length_s:.3f} s"
            )
    if len(rates) > 1:
        told = "; ".join(f"{rate_hz} Hz: {', '.join(songs)}" for rate_hz, songs in rates.items())
        yield f"reel: its songs differ in rate ({told}); give the mix under deliver a rate_hz"
