"""A delivery rendered again from what it carries, and compared with what it holds, byte for byte."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from itertools import zip_longest
from pathlib import Path
from typing import Any, TypeVar

from busproc.delivery import manifest, recall_files
from busproc.delivery.diff import load_log, of_log, settings_changes
from busproc.delivery.diff_decisions import label_of, other_inputs, other_versions
from busproc.delivery.diff_settings import Change
from busproc.delivery.diff_words import change_in_words, input_in_words, version_in_words
from busproc.delivery.printing import Printed, print_session
from busproc.errors import InputError
from busproc.files import sha256_file
from busproc.progress import Progress, silently
from busproc.session import Fader, MixBus
from busproc.song import Song, load_session

Record = dict[str, Any]
F = TypeVar("F", Fader, MixBus)


@dataclass(frozen=True)
class Recalled:
    """What came of a recall.

    Attributes
    ----------
    files
        How many files there are, of the delivery and of its recall together.
    differing
        Names of those that did not come out the same.
    touched
        Names of those that changed in the delivery since it was written.
    inputs, settings, made_with
        Stems with other files, settings that differ, versions of programs that differ.
    begins_at
        The first stage whose record in the decision log differs, and in what (its figures before and after,
        what it did, the verdict); empty where none does.
    """

    files: int
    differing: tuple[str, ...]
    touched: tuple[str, ...]
    inputs: tuple[Record, ...]
    settings: tuple[Change, ...]
    made_with: Mapping[str, list[str | None]]
    begins_at: str

    @property
    def is_same(self) -> bool:
        """Whether every file came out the same."""
        return not self.differing


def recall(
    folder: Path | str,
    stems_folder: Path | str,
    out_dir: Path | str | None = None,
    *,
    allow_outside: bool = False,
    progress: Progress = silently,
) -> Recalled:
    """Render a delivery again from its recall and compare every byte.

    Parameters
    ----------
    folder
        The delivery.
    stems_folder
        What stands for the folder of its session: paths of stems are relative to it.
    out_dir
        A new folder that keeps what is rendered; none throws it away.
    allow_outside
        Whether paths of stems may lead out of their folder.
    progress
        Called now and then.

    Raises
    ------
    InputError
        The delivery or a stem cannot be read, or `out_dir` is not new.
    RenderError
        The work could not be finished.
    """
    folder, stems_folder = Path(folder), Path(stems_folder)
    if not stems_folder.is_dir():
        raise InputError(f"{stems_folder} is not a folder; give the one that held the session and its stems")
    then, log = manifest.load(folder), load_log(folder)
    song = load_session(folder / recall_files.SESSION, allow_outside=allow_outside, stems_folder=stems_folder)
    with _place(out_dir) as place:
        printed = print_session(_under_old_names(song, log), place, progress=progress)
        return _compared(folder, then, log, printed)


SHOWN = 8
"""More files than this are counted and not named."""


def in_words(recalled: Recalled) -> str:
    """One line where all is the same; else all that may be the cause, and which files differ."""
    if recalled.is_same:
        return f"all {recalled.files} files came out the same, byte for byte"
    differing = list(recalled.differing)
    if len(differing) > SHOWN:
        differing[SHOWN:] = [f"and {len(differing) - SHOWN} more"]
    rows = {
        "changed since": [f"{name} is not as it was delivered" for name in recalled.touched],
        "input": [input_in_words(each) for each in recalled.inputs],
        "setting": [change_in_words(each) for each in recalled.settings],
        "made with": [version_in_words(*each) for each in recalled.made_with.items()],
        "begins at": [recalled.begins_at or "no stage: by the figures of the log, each did what it did"],
        "differs": differing,
    }
    known = recalled.touched or recalled.inputs or recalled.settings or recalled.made_with
    lines = [f"{key:15}{row}" for key, told in rows.items() for row in told]
    count = f"{len(recalled.differing)} of {recalled.files} files did not come out the same"
    unknown = "no cause is known: files, inputs, settings and versions are the same; please report this"
    return "\n".join([count, *lines, *([] if known else [unknown])])


@contextmanager
def _place(out_dir: Path | str | None) -> Iterator[Path]:
    """A new folder: the one asked for, or one that is gone afterwards."""
    if out_dir is None:
        with tempfile.TemporaryDirectory(prefix="busproc-recall-") as folder:
            yield Path(folder)
        return
    place = Path(out_dir)
    if place.exists() and not (place.is_dir() and not any(place.iterdir())):
        raise InputError(f"{place} exists; name a new folder for what is rendered again")
    yield place


def _under_old_names(song: Song, log: Record) -> Song:
    """The song with its chains under the names that they had when it was delivered, and what went then."""
    old = log["session"]
    faders = [*old["stems"], *old["groups"], *old["returns"]]
    names = {each["name"]: each["chain"] for each in faders} | {"mix_bus": old["mix_bus"]["chain"]}

    def renamed(fader: F, name: str) -> F:
        return fader.model_copy(update={"chain": names.get(name) or fader.chain}) if fader.chain else fader

    session = song.session
    update: dict[str, Any] = {
        "stems": tuple(renamed(each, each.name) for each in session.stems),
        "groups": tuple(renamed(each, each.name) for each in session.groups),
        "returns": tuple(renamed(each, each.name) for each in session.returns),
        "mix_bus": renamed(session.mix_bus, "mix_bus"),
    }
    buses = {name: replace(bus, fader=renamed(bus.fader, name)) for name, bus in song.buses.items()}
    return replace(song, session=session.model_copy(update=update), buses=buses, left_out=log.get("left_out"))


def _compared(folder: Path, then: Record, log: Record, printed: Printed) -> Recalled:
    now = printed.manifest
    listed = _digests(then)
    names = list(dict.fromkeys([*listed, *_digests(now), manifest.NAME]))
    held = {name: _digest(folder / name) for name in names}
    return Recalled(
        files=len(names),
        differing=tuple(name for name in names if held[name] != _digest(printed.folder / name)),
        touched=tuple(name for name in listed if held[name] != listed[name]),
        inputs=tuple(other_inputs(log, printed.decisions)),
        settings=tuple(settings_changes(of_log(log), of_log(printed.decisions))),
        made_with=other_versions(then["made_with"], now["made_with"]),
        begins_at=_begins_at(log["places"], printed.decisions["places"]),
    )


def _digests(document: Record) -> dict[str, str]:
    """What a manifest lists: each file's name and checksum."""
    beside: dict[str, str] = document["beside"]
    return {each["file"]: each["sha256"] for each in document["files"]} | beside


def _digest(path: Path) -> str | None:
    return sha256_file(path) if path.is_file() else None


def _begins_at(then: list[Record], now: list[Record]) -> str:
    """The first stage, in the order of the places, whose record differs."""
    news = {place["place"]: place["decisions"] for place in now}
    found = (_first_other(old["decisions"], news[old["place"]]) for old in then if old["place"] in news)
    return next(filter(None, found), "")


def _first_other(olds: list[Record], news: list[Record]) -> str:
    """The same among stages in a row; those inside a composite come between what reaches and leaves it."""
    for old, new in zip_longest(olds, news):
        if old is None or new is None or old["stage"] != new["stage"]:
            return f"{label_of(old or new)} (it did not stand there both times)"
        other = [key for key in ("before", "after", "did", "verdict") if old.get(key) != new.get(key)]
        if other[:1] != ["before"]:
            paths = zip(old.get("branches", []), new.get("branches", []), strict=False)
            inside = (_first_other(path["decisions"], now["decisions"]) for path, now in paths)
            if first := next(filter(None, inside), ""):
                return first
        if other:
            return f"{label_of(old)} (differs in {', '.join(other)})"
    return ""
