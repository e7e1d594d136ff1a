"""A delivery: every file that a session asks for, log, manifest, and what it takes to make it again."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from busproc import decisions
from busproc.chain import BLOCK_FRAMES
from busproc.delivery import manifest, recall_files
from busproc.delivery.inputs import own_files, refuse_inputs
from busproc.delivery.orders import plain_name
from busproc.delivery.prints import Print, plan_prints
from busproc.delivery.sets import write_sets
from busproc.errors import BusprocError, InputError
from busproc.files import atomic_files, sha256_file
from busproc.making import make
from busproc.progress import Progress, silently
from busproc.pruning.judging import pruned
from busproc.song import Song, load_session


@dataclass(frozen=True)
class Printed:
    """What a delivery holds."""

    folder: Path
    files: tuple[Path, ...]
    manifest: dict[str, Any]
    decisions: dict[str, Any]


def print_session(
    session: Song | Path | str,
    out_dir: Path | str,
    *,
    overwrite: bool = False,
    allow_outside: bool = False,
    prune: bool = False,
    block_frames: int = BLOCK_FRAMES,
    progress: Progress = silently,
) -> Printed:
    """Write everything a session delivers: mixes, stems, versions, with log, manifest and recall.

    Parameters
    ----------
    session
        A session file, or a song from `load_session`.
    out_dir
        Folder for the delivery; made if it is missing.
    overwrite
        Replace files that are there; what an earlier delivery in the folder had beside them is removed.
    allow_outside
        Whether paths in the session may lead out of its folder.
    prune
        Leave out the stages that change nothing one could hear; the log says which and why, and a recall
        makes the same without them.
    block_frames
        Size of the blocks; no result depends on it.
    progress
        Called now and then.

    Raises
    ------
    SettingsFileError
        With every fault of the session.
    InputError
        A file is there already.
    RenderError
        The work could not be finished as asked; nothing was written.
    """
    song = session if isinstance(session, Song) else load_session(session, allow_outside=allow_outside)
    numbers = range(len(song.session.deliver))
    if prune:
        _refuse_earlier(Path(out_dir) / manifest.NAME, overwrite=overwrite)
        song = pruned(song, progress)
    prints = plan_prints(song.session, song.buses, song.rate_hz, numbers)
    folder, name = Path(out_dir), plain_name(song.session.song)
    again, before = recall_files.texts(song), _listed(folder)
    others = [f"{name}.decisions.json", f"{name}.decisions.txt", *again, manifest.NAME]
    finals = [*(folder / each.path for each in prints), *(folder / other for other in others)]
    refuse_inputs(song, finals)
    with _folders(finals), atomic_files(finals, overwrite=overwrite) as parts:
        sounds: dict[Print, Path] = dict(zip(prints, parts, strict=False))
        beside = dict(zip(others, parts[len(prints) :], strict=True))
        made = make(song, numbers, folder, block_frames, progress)
        records = write_sets(song, made, sounds, None, progress)
        log = decisions.build(song, made, records, None)
        told = {others[0]: decisions.to_json(log), others[1]: decisions.in_words(log), **again}
        for other, text in told.items():
            beside[other].write_text(text, encoding="utf-8")
        last = beside.pop(manifest.NAME)
        document = manifest.build(song, log, prints, records, beside)
        last.write_text(json.dumps(document, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    _remove_old(folder, before, {path.resolve() for path in finals} | own_files(song))
    return Printed(folder, tuple(finals), document, log)


def _refuse_earlier(there: Path, *, overwrite: bool) -> None:
    """Tell before the long work what would be told after it."""
    if there.exists() and not overwrite:
        raise InputError(f"{there} exists; add --overwrite or choose another folder")


def _listed(folder: Path) -> dict[str, str]:
    """Files of an earlier delivery in a folder, with their checksums; none where there is none."""
    try:
        there = manifest.load(folder)
        return {each["file"]: each["sha256"] for each in there["files"]} | dict(there["beside"])
    except (BusprocError, KeyError, TypeError, ValueError):
        return {}


def _remove_old(folder: Path, before: dict[str, str], kept: set[Path]) -> None:
    """Take away what an earlier delivery left, is needed no more, and was changed by nobody."""
    for name, digest in before.items():
        old = folder / name
        needless = old.resolve() not in kept and old.resolve().is_relative_to(folder.resolve())
        if needless and old.is_file() and sha256_file(old) == digest:
            old.unlink()
            if not any(old.parent.iterdir()):
                old.parent.rmdir()


@contextmanager
def _folders(finals: list[Path]) -> Iterator[None]:
    """Make the folders of files; when the work fails, those that stayed empty go again."""
    wanted = dict.fromkeys(path.parent for path in finals)
    missing = dict.fromkeys(
        each for folder in wanted for each in (*reversed(folder.parents), folder) if not each.exists()
    )
    try:
        for folder in missing:
            _make(folder)
        yield
    finally:
        for folder in reversed(missing):
            if folder.is_dir() and not any(folder.iterdir()):
                folder.rmdir()


def _make(folder: Path) -> None:
    try:
        folder.mkdir()
    except OSError as error:
        raise InputError(f"{folder} cannot be made a folder for the results: {error.strerror}") from None
