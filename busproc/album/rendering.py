"""A record: drives measured, one gain found, every song delivered, and what is the same across them."""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from busproc.album import page, report
from busproc.album.drive import Drive, before_limiter, find_drives, in_record, on_mix_bus
from busproc.album.loading import Record, Track, load_album
from busproc.album.loudness import find_gain_db
from busproc.album.reel import write_reel
from busproc.decisions import treatment_sha256, versions_in_use
from busproc.delivery import manifest
from busproc.delivery.orders import plain_name
from busproc.delivery.printing import print_session
from busproc.delivery.verify import verify
from busproc.errors import BusprocError
from busproc.files import atomic_files
from busproc.progress import Progress, silently
from busproc.scratch import Scratch
from busproc.song import Song
from busproc.stages.limiter import Limiter


@dataclass(frozen=True)
class Recorded:
    """What was made of an album: its folder, its report, and the songs that had to be rendered."""

    folder: Path
    report: dict[str, Any]
    rendered: tuple[str, ...]


def render_album(
    album: Record | Path | str,
    out_dir: Path | str,
    *,
    jobs: int = 1,
    allow_outside: bool = False,
    progress: Progress = silently,
) -> Recorded:
    """Render every song of a record through its shared chain, each to a delivery in a folder of its own.

    A song whose delivery is there already, whole, and made by the same treatment, is left as it is.

    Parameters
    ----------
    album
        An album file, or a record from `load_album`.
    out_dir
        Folder for the record; made if it is missing.
    jobs
        How many songs are rendered side by side, in threads. The files are the same for any number.
    allow_outside
        Whether paths in the sessions may lead out of their folders.
    progress
        Called now and then.

    Raises
    ------
    SettingsFileError
        With every fault of the album and all that it names.
    RenderError
        A song could not be finished as asked; those that were finished stay.
    """
    record = album if isinstance(album, Record) else load_album(album, allow_outside=allow_outside)
    folder = Path(out_dir)
    folder.mkdir(parents=True, exist_ok=True)
    drives = find_drives(record.tracks, record.album, lambda what: progress(what, 0.0))
    gain_db = _gain_db(record, drives, folder, progress)
    songs = [
        _as_in_record(record, track, drive, gain_db)
        for track, drive in zip(record.tracks, drives, strict=True)
    ]

    def deliver(track: Track, song: Song) -> bool:
        place = folder / track.folder
        if _is_current(place, song):
            return False
        print_session(
            song, place, overwrite=True, progress=lambda what, done: progress(f"{track.folder}: {what}", done)
        )
        return True

    with ThreadPoolExecutor(max(1, jobs)) as pool:
        fresh = list(pool.map(deliver, record.tracks, songs))
    document = report.build(record, drives, gain_db, folder)
    if record.album.reel:
        progress("writing the reel", 0.0)
        document["reel"] = write_reel(record, folder)
    _write_report(document, folder)
    made = tuple(track.folder for track, is_fresh in zip(record.tracks, fresh, strict=True) if is_fresh)
    return Recorded(folder, document, made)


def _write_report(document: dict[str, Any], folder: Path) -> None:
    """Write the report for programs, as words, and as a page."""
    texts = {
        "json": json.dumps(document, indent=1, ensure_ascii=False) + "\n",
        "txt": report.in_words(document),
        "html": page.to_html(document),
    }
    name = plain_name(document["album"])
    with atomic_files([folder / f"{name}.album.{kind}" for kind in texts], overwrite=True) as parts:
        for part, text in zip(parts, texts.values(), strict=True):
            part.write_text(text, encoding="utf-8")


def _gain_db(record: Record, drives: list[Drive], folder: Path, progress: Progress) -> float:
    """The gain into every song's final limiter; 0 where each song meets a target of its own, or none."""
    wanted = record.album.loudness
    if wanted is None or wanted.how == "per_song":
        return 0.0
    sounds = []
    for track, drive in zip(record.tracks, drives, strict=True):
        sound = Scratch((2,), folder)
        chain = in_record(track.chain, drive, record.album.calibrate)
        for block in before_limiter(track, chain, lambda what: progress(what, 0.0)):
            sound.append(block)
        sounds.append(sound)
    limiters = [stage for track in record.tracks if isinstance(stage := track.chain.stages[-1], Limiter)]
    progress("finding the gain of the record", 0.0)
    return find_gain_db(sounds, [track.song.rate_hz for track in record.tracks], limiters, wanted)


def _as_in_record(record: Record, track: Track, drive: Drive, gain_db: float) -> Song:
    """The song with the chain that it runs on this record."""
    chain = in_record(track.chain, drive, record.album.calibrate, gain_db)
    wanted = record.album.loudness
    if wanted is not None and wanted.how == "per_song":
        final = chain.stages[-1].model_copy(update={"target_lufs": wanted.target_lufs})
        chain = chain.model_copy(update={"stages": (*chain.stages[:-1], final)})
    song = on_mix_bus(track.song, chain)
    tags = song.session.tags.model_copy(
        update={"album": song.session.tags.album or record.album.album, "track_number": track.number}
    )
    return replace(song, session=song.session.model_copy(update={"tags": tags}))


def _is_current(folder: Path, song: Song) -> bool:
    """Whether a folder holds this very delivery, whole."""
    try:
        there = manifest.load(folder)
        same = there["treatment_sha256"] == treatment_sha256(song) and there["made_with"] == versions_in_use()
        return same and not verify(folder).faults
    except BusprocError:
        return False
