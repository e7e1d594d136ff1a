"""A shootout from file to page: rendered, matched, measured, ranked, and laid out for listening."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from busproc.engine import Engine, crew_of
from busproc.errors import InputError, SettingsFileError
from busproc.files import AudioReader, atomic_files, folder_for
from busproc.jsonfile import read_object
from busproc.known import Known
from busproc.progress import JobProgress, jobs_silently
from busproc.shootouts import report, words
from busproc.shootouts.contest import Contest
from busproc.shootouts.listening.model import Heard as OnPage
from busproc.shootouts.listening.model import HeardPassage, HeardSong, HeardVariation, Listening
from busproc.shootouts.listening.writing import write_page
from busproc.shootouts.loading import load_shootout
from busproc.shootouts.refining import units
from busproc.shootouts.running import Done, Heard, Running
from busproc.shootouts.sealed import seal
from busproc.shootouts.trials import TrialPlan
from busproc.shootouts.variations import Variation

COMPARED, TRIALS, WORDS, REFINED = "compared.json", "trials.json", "compared.txt", "refined_chain.json"


@dataclass(frozen=True)
class Compared:
    """What a shootout came to.

    Attributes
    ----------
    folder
        Where everything was written.
    page
        The page to listen on.
    document
        All that was found, as `compared.json` has it.
    """

    folder: Path
    page: Path
    document: dict[str, Any]

    def rows(self) -> list[dict[str, Any]]:
        """A flat row for each variation in each passage of each song: what a table or a plot takes."""
        songs = self.document["songs"]
        variations = {each["id"]: each for each in self.document["variations"]}
        return [
            _row(row, songs[row["song"]], variations[row["variation"]]) for row in self.document["results"]
        ]

    def ranking(self) -> list[str]:
        """Names of the variations, best first; empty without a goal."""
        names = {each["id"]: each["name"] for each in self.document["variations"]}
        return [names[each["variation"]] for each in self.document["ranking"] or ()]


def _row(row: Mapping[str, Any], song: Mapping[str, Any], variation: Mapping[str, Any]) -> dict[str, Any]:
    named = {
        "song": song["song"],
        "passage": song["passages"][row["passage"]]["name"],
        "variation": variation["name"],
        "kind": variation["kind"],
    }
    figures = {key: value for key, value in row.items() if isinstance(value, float | None)}
    return named | {f"set {path}": value for path, value in variation["changes"].items()} | figures


def shootout(
    file: Contest | Path | str,
    out_dir: Path | str,
    *,
    engine: Engine | None = None,
    overwrite: bool = False,
    allow_outside: bool = False,
    refine: bool = False,
    keys_dir: Path | str | None = None,
    progress: JobProgress = jobs_silently,
) -> Compared:
    """Compare variations of a chain at one loudness: by figures, by a goal, and on a page by ear.

    Parameters
    ----------
    file
        A shootout file, or what `load_shootout` gives.
    out_dir
        Folder for the results; made if it is missing. What was rendered there before is not rendered again.
    engine
        Where the work is done, and how much of it side by side: one job after the other by default.
    overwrite
        Replace the results of another shootout that are there.
    allow_outside
        Whether paths in the sessions may lead out of their folders.
    refine
        Whether the goal is searched for within the ranges that the file names.
    keys_dir
        Folder for the keys of numbered blind files, apart from the results; none writes no such files.
    progress
        Called now and then, with the job.

    Raises
    ------
    SettingsFileError
        With every fault of the shootout and all that it names.
    InputError
        Results of another shootout are there.
    RenderError
        The work could not be finished as asked.
    """
    contest = (
        file
        if isinstance(file, Contest)
        else load_shootout(Path(file).absolute(), allow_outside=allow_outside)
    )
    if refine and contest.shootout.refine is None:
        raise InputError('there is nothing to search within: give the shootout file "refine", with ranges')
    folder = Path(out_dir).absolute()
    plan = contest.trials
    before = _written_before(folder)
    if before.get("shootout", contest.shootout.shootout) != contest.shootout.shootout and not overwrite:
        raise InputError(
            f"{folder} holds another shootout, {before['shootout']!r}; "
            "add --overwrite or choose another folder"
        )
    folder_for(folder)
    with crew_of(engine or Engine(), progress) as crew:
        done = Running(contest, folder, Known(folder), crew).run(refine=refine)
    document = report.build(done, folder)
    progress("", "writing the page", 0.0)
    page, *scripts = write_page(_listening(done, document, plan), _sounds(done), folder, overwrite=True)
    texts = _texts(document, plan, done)
    document["files"] = sorted(
        [*texts, *(file.relative_to(folder).as_posix() for file in (page, *scripts)), *_heard_files(document)]
    )
    texts[COMPARED] = json.dumps(document, indent=1, ensure_ascii=False) + "\n"
    with atomic_files([folder / name for name in texts], overwrite=True) as parts:
        for part, text in zip(parts, texts.values(), strict=True):
            part.write_text(text, encoding="utf-8")
    _remove_stale(folder, set(before.get("files", ())) - set(document["files"]))
    if keys_dir is not None:
        _seal(done, folder, Path(keys_dir))
    return Compared(folder, page, document)


def names_in(folder: Path) -> dict[str, str]:
    """Names of the variations of a shootout, by their ids.

    Raises
    ------
    SettingsFileError
        The folder holds no shootout.
    """
    document = read_object(folder / COMPARED)
    if document.get("format") != report.FORMAT:
        raise SettingsFileError(folder / COMPARED, ["is not what a shootout has found"])
    return {each["id"]: each["name"] for each in document["variations"]}


def _written_before(folder: Path) -> dict[str, Any]:
    """What an earlier shootout has found in a folder; nothing where there was none."""
    try:
        document = read_object(folder / COMPARED)
    except SettingsFileError:
        return {}
    return document if document.get("format") == report.FORMAT else {}


def _heard_files(document: Mapping[str, Any]) -> list[str]:
    return [row["file"] for row in document["results"]]


def _remove_stale(folder: Path, names: set[str]) -> None:
    """Take away what an earlier shootout wrote and this one did not."""
    for name in sorted(names):
        file = (folder / name).resolve()
        if file.is_relative_to(folder.resolve()) and file.is_file():
            file.unlink()
            for parent in file.relative_to(folder.resolve()).parents[:-1]:
                if not any((folder / parent).iterdir()):
                    (folder / parent).rmdir()


def _listening(done: Done, document: Mapping[str, Any], plan: TrialPlan | None) -> Listening:
    songs = tuple(
        HeardSong(
            song["song"],
            song["rate_hz"],
            tuple(HeardPassage(each["name"], each["from_s"], each["to_s"]) for each in song["passages"]),
        )
        for song in document["songs"]
    )
    variations = tuple(_on_page(done, each) for each in done.contest.songs[0].variations)
    trials = None if plan is None else {**plan.as_dict(), "plan_sha256": plan.sha256}
    return Listening(document["shootout"], words.about(document), songs, variations, trials)


def _on_page(done: Done, variation: Variation) -> HeardVariation:
    kinds = {"untouched": "untouched", "repeat": "repeat"}
    gained = tuple(
        tuple(
            report.gained_lu(done, each)
            for each in done.heard
            if each.song == s and each.variation.id == variation.id
        )
        for s in range(len(done.contest.songs))
    )
    says = "; ".join(f"{path} {value}" for path, value in variation.changes.items())
    return HeardVariation(
        variation.id,
        variation.name,
        kinds.get(variation.kind, "variation"),  # type: ignore[arg-type]
        says or variation.reason,
        gained,
    )


def _sounds(done: Done) -> Any:
    by_place = {(each.song, each.passage, each.variation.id): each for each in done.heard}

    def sound(song: int, passage: int, variation: str) -> OnPage:
        heard = by_place[song, passage, variation]
        return OnPage(_read(heard.file), heard.curve or None, _levels(heard))

    return sound


def _levels(heard: Heard) -> dict[str, float | None]:
    """Third octaves at the gain that the variation is heard with."""
    levels: Mapping[str, float | None] = heard.figures["third_octaves_db"]
    return {hz: None if level is None else level + heard.gain_db for hz, level in levels.items()}


def _read(file: Path) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    with AudioReader(file) as reader:
        return reader.read(reader.info.frames)


def _texts(document: dict[str, Any], plan: TrialPlan | None, done: Done) -> dict[str, str]:
    """Everything that is written as text, by its name; figures come when all files are known."""
    texts = {COMPARED: "", WORDS: words.in_words(document)}
    if plan is not None:
        texts[TRIALS] = json.dumps(plan.as_dict(), indent=1, ensure_ascii=False) + "\n"
    refined = [each for each in done.contest.songs[0].variations if each.kind == "refined"]
    if refined:
        texts[REFINED] = refined[0].chain.model_dump_json(by_alias=True, exclude={"schema_"}, indent=1) + "\n"
    return texts


def _seal(done: Done, folder: Path, keys_dir: Path) -> None:
    """Numbered copies of every passage, and their keys apart from them."""
    keys_dir.mkdir(parents=True, exist_ok=True)
    for s, n in units(done.contest):
        heard = [each for each in done.heard if (each.song, each.passage) == (s, n)]
        name = "_".join(heard[0].file.relative_to(folder / "heard").parts[:2])
        seal(
            [(each.variation.id, each.file) for each in heard],
            folder / "numbered" / name,
            keys_dir / f"{name}.key.json",
        )
