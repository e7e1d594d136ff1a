"""What is to be done for a record, and why: which songs stand as they should, which are to be rendered."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from busproc.album.drive import ADDED
from busproc.album.loading import Record, Track
from busproc.delivery import manifest, recall_files
from busproc.delivery.diff_decisions import changed_files
from busproc.delivery.diff_settings import changes
from busproc.delivery.diff_words import change_in_words, input_in_words, version_in_words
from busproc.delivery.listed import Fault
from busproc.delivery.verify import verify
from busproc.digests import treatment_sha256, versions_in_use
from busproc.errors import BusprocError
from busproc.jsonfile import read_object
from busproc.progress import Progress
from busproc.song import Song

MOST_REASONS = 6
Doc = dict[str, Any]


@dataclass(frozen=True)
class Todo:
    """What is to be done for one song, and why."""

    track: Track
    action: Literal["render", "perhaps", "keep"]
    why: tuple[str, ...]

    def in_words(self) -> str:
        """One line, and one more for each further reason."""
        told = {"render": "render", "perhaps": "render if its trim or gain moves", "keep": "keep"}[
            self.action
        ]
        return "\n      ".join([f"{self.track.folder}: {told}", *self.why])


def why_render(folder: Path, song: Song, progress: Progress) -> tuple[str, ...]:
    """Why a song is to be rendered: a line for each reason, none where its delivery is what it should be.

    Parameters
    ----------
    folder
        Where its delivery is, or is to be.
    song
        The song as it is to be delivered.
    progress
        Called now and then.
    """
    progress("looking at what is there", 0.0)
    try:
        there = manifest.load(folder)
    except BusprocError:
        return (
            ("it is not there yet",) if not (folder / manifest.NAME).exists() else ("its manifest is broken",)
        )
    reasons = [*_made_with(there)]
    if there.get("treatment_sha256") != treatment_sha256(song):
        reasons += list(differences(folder, song)) or ["its treatment has changed"]
    reasons = reasons or [f"{fault.file}: {fault.what}" for fault in _own_faults(folder, there)]
    more = [f"and {len(reasons) - MOST_REASONS} more"] if len(reasons) > MOST_REASONS else []
    return (*reasons[:MOST_REASONS], *more)


def _own_faults(folder: Path, there: Doc) -> list[Fault]:
    """What is wrong with a delivery; files of others that lie in it are none of its faults."""
    own = {manifest.NAME, *(each["file"] for each in there["files"]), *there["beside"]}
    return [fault for fault in verify(folder).faults if fault.file in own]


def left_from_earlier(record: Record, folder: Path) -> list[str]:
    """Folders of songs that are no longer on the record, or stand elsewhere on it."""
    own = {track.folder for track in record.tracks}
    deliveries = sorted(path.parent.name for path in folder.glob(f"*/{manifest.NAME}"))
    return [name for name in deliveries if name not in own]


def _made_with(there: Doc) -> Iterator[str]:
    before, now = there.get("made_with", {}), versions_in_use()
    for name in dict.fromkeys([*before, *now]):
        if before.get(name) != now.get(name):
            yield version_in_words(name, [before.get(name), now.get(name)])


def differences(folder: Path, song: Song, ignored: frozenset[str] = frozenset()) -> Iterator[str]:
    """How a song differs from what was delivered: settings, chains, files; stages of some names set aside."""
    named = [
        {"name": stem, "file": name, "sha256": sha256}
        for stem, file in song.files.items()
        for name, _, sha256 in file.inputs
    ]
    try:
        before = {name: read_object(folder / name) for name in _settings_there(folder)}
        other_files = changed_files(manifest.load(folder)["inputs"], named)
    except (BusprocError, KeyError, TypeError):
        yield "what it takes to make it again is not there"
        return
    now = {name: json.loads(text) for name, text in recall_files.texts(song).items()}
    for name in dict.fromkeys([*before, *now]):
        old, new = (_without(each.get(name, {}), ignored) for each in (before, now))
        for change in changes(old, new):
            yield f"{Path(name).stem}: {change_in_words(change)}"
    yield from map(input_in_words, other_files)


def _settings_there(folder: Path) -> list[str]:
    return sorted(str(path.relative_to(folder)) for path in (folder / recall_files.FOLDER).rglob("*.json"))


def _without(document: Doc, ignored: frozenset[str]) -> Doc:
    """A settings file without stages of these names."""
    if "stages" not in document:
        return document
    return document | {"stages": [each for each in document["stages"] if each.get("name") not in ignored]}


def plan_uncertain(folder: Path, track: Track, song: Song) -> Todo:
    """What is to be done where the record's trims are not known before it is measured."""
    if not (folder / manifest.NAME).exists():
        return Todo(track, "render", ("it is not there yet",))
    why = tuple(differences(folder, song, frozenset(ADDED)))
    return Todo(track, "render" if why else "perhaps", why)


def plan_certain(folder: Path, track: Track, song: Song, progress: Progress) -> Todo:
    """What is to be done for a song that is known as it is to be delivered."""
    why = why_render(folder, song, progress)
    return Todo(track, "render" if why else "keep", why)
