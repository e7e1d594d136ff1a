"""A record: drives measured, one gain found, every song delivered, and what is the same across them."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from busproc.album import page, report
from busproc.album.drive import Drive, trims
from busproc.album.loading import Record, load_album
from busproc.album.planning import Todo, left_from_earlier, plan_certain, plan_uncertain
from busproc.album.recording import Recording, drive_key, gain_key, on_record
from busproc.album.reel import reel_files
from busproc.delivery.orders import plain_name
from busproc.engine import Engine, crew_of
from busproc.errors import InputError
from busproc.files import atomic_files, folder_for
from busproc.known import Known
from busproc.progress import JobProgress, Progress, jobs_silently, silently
from busproc.song import Song


@dataclass(frozen=True)
class Recorded:
    """What was made of an album: folder, report, songs rendered, folders left of an earlier order."""

    folder: Path
    report: dict[str, Any]
    rendered: tuple[str, ...]
    left_over: tuple[str, ...]


def render_album(
    album: Record | Path | str,
    out_dir: Path | str,
    *,
    engine: Engine | None = None,
    allow_outside: bool = False,
    progress: JobProgress = jobs_silently,
) -> Recorded:
    """Render every song of a record through its shared chain, each to a delivery in a folder of its own.

    A song whose delivery is there already, whole, and made by the same treatment, is left as it is; so a
    run that was interrupted goes on where it was.

    Parameters
    ----------
    album
        An album file, or a record from `load_album`.
    out_dir
        Folder for the record; made if it is missing.
    engine
        Where songs are rendered, and how many side by side: one after the other by default. The files are
        the same for any.
    allow_outside
        Whether paths in the sessions may lead out of their folders.
    progress
        Called now and then, with the song.

    Raises
    ------
    SettingsFileError
        With every fault of the album and all that it names.
    RenderError
        Songs could not be finished as asked; those that were finished stay.
    """
    record = _loaded(album, allow_outside=allow_outside)
    folder = Path(out_dir).absolute()
    _refuse_inputs(record, folder)
    folder_for(folder)
    with crew_of(engine or Engine(), progress) as crew:
        document, rendered = Recording(record, folder, Known(folder), crew).run()
    _write_report(document, folder)
    return Recorded(folder, document, rendered, tuple(left_from_earlier(record, folder)))


def plan_album(
    album: Record | Path | str,
    out_dir: Path | str,
    *,
    allow_outside: bool = False,
    progress: Progress = silently,
) -> list[Todo]:
    """Tell what `render_album` would do, and why, without doing it.

    Where a song is to be measured first, the trims of the others are not known: a song that only they could
    change is told as such.
    """
    record = _loaded(album, allow_outside=allow_outside)
    folder = Path(out_dir).absolute()
    songs = _songs_to_be(record, Known(folder))
    if songs is None:
        songs = on_record(record, [Drive(None, 0.0)] * len(record.tracks), 0.0)
        return [
            plan_uncertain(folder / track.folder, track, song)
            for track, song in zip(record.tracks, songs, strict=True)
        ]
    return [
        plan_certain(folder / track.folder, track, song, progress)
        for track, song in zip(record.tracks, songs, strict=True)
    ]


def _songs_to_be(record: Record, known: Known) -> list[Song] | None:
    """Every song as it is to be delivered; none where one is to be measured first."""
    keys = [drive_key(record, track) for track in record.tracks]
    if not all(key in known for key in keys):
        return None
    drives = trims([known[key] for key in keys], record.album.calibrate)
    gain = gain_key(record, drives)
    if gain is not None and gain not in known:
        return None
    return on_record(record, drives, 0.0 if gain is None else known[gain])


def _loaded(album: Record | Path | str, *, allow_outside: bool) -> Record:
    """The record; by whole paths, which lead to the same files from anywhere."""
    return (
        album
        if isinstance(album, Record)
        else load_album(Path(album).absolute(), allow_outside=allow_outside)
    )


def _report_files(album: str) -> list[str]:
    """Names of the report: for programs, as words, and as a page."""
    return [f"{plain_name(album)}.album.{kind}" for kind in ("json", "txt", "html")]


def _refuse_inputs(record: Record, folder: Path) -> None:
    """Refuse a folder where a report or a reel would be written over the album's own files."""
    names = [*_report_files(record.album.album), *(reel_files(record) if record.album.reel else ())]
    own = {record.path.resolve(), (record.path.parent / record.album.chain).resolve()}
    own |= {track.song.path.resolve() for track in record.tracks}
    for name in names:
        if (folder / name).resolve() in own:
            raise InputError(f"{folder / name} is one of the album's own files; choose another folder")


def _write_report(document: dict[str, Any], folder: Path) -> None:
    texts = (
        json.dumps(document, indent=1, ensure_ascii=False) + "\n",
        report.in_words(document),
        page.to_html(document),
    )
    finals = [folder / name for name in _report_files(document["album"])]
    with atomic_files(finals, overwrite=True) as parts:
        for part, text in zip(parts, texts, strict=True):
            part.write_text(text, encoding="utf-8")
