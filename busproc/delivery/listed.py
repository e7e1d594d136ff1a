"""What a manifest lists, in types, and where it contradicts itself or the decision log."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from busproc import decisions
from busproc.delivery import manifest
from busproc.errors import SettingsFileError
from busproc.jsonfile import faults_of

Name = Annotated[str, Field(pattern=r"^[^\x00-\x1f]+$")]
M = TypeVar("M", bound=BaseModel)


@dataclass(frozen=True)
class Fault:
    """What is wrong with a file of a delivery; its name is relative to the folder."""

    file: str
    what: str


class _Read(BaseModel):
    """Part of a JSON document of ours, of which other keys may tell more."""

    model_config = ConfigDict(extra="ignore", frozen=True, strict=True, allow_inf_nan=False)


class SoundFile(_Read):
    """A sound file and what is said of it."""

    file: Name
    what: str
    sha256: str
    rate_hz: Annotated[int, Field(ge=1)]
    bits: Literal[16, 24, 32, "32_float"]
    frames: int
    ceiling_dbtp: float | None
    measured: dict[str, float | None]


class Sum(_Read):
    """Stems that add up to a mix: in whole numbers exactly, else as well as floating point can."""

    mix: str
    stems: Annotated[list[str], Field(min_length=1)]
    exactly: bool


class Listed(_Read):
    """Everything a manifest says that can be checked."""

    song: str
    treatment_sha256: str
    made_with: dict[str, str]
    files: list[SoundFile]
    adds_up: list[Sum]
    inputs: list[dict[str, Any]]
    beside: dict[Name, str]

    @property
    def sha256s(self) -> dict[str, str]:
        """Name and SHA-256 of every file, sound files first."""
        return {each.file: each.sha256 for each in self.files} | self.beside


class _InputFile(_Read):
    file: str
    sha256: str


class _Played(_Read):
    files: list[_InputFile]


class _Input(_InputFile):
    name: str
    played: _Played | None = None


class _Log(_Read):
    """What a decision log and a manifest both say."""

    song: str
    treatment_sha256: str
    versions: dict[str, str]
    inputs: list[_Input]
    deliveries: list[dict[str, Any]]


def load_listed(folder: Path) -> Listed:
    """Read the manifest of a delivery.

    Raises
    ------
    SettingsFileError
        When there is none, or it is not whole.
    """
    return _typed(folder / manifest.NAME, manifest.load(folder), Listed)


def _typed(path: Path, document: dict[str, Any], model: type[M]) -> M:
    try:
        return model.model_validate(document)
    except ValidationError as error:
        raise SettingsFileError(path, faults_of(error, model)) from None


def own_faults(listed: Listed) -> Iterator[Fault]:
    """Where the manifest contradicts itself: names, lengths, sums."""
    names = [*(each.file for each in listed.files), *listed.beside]
    for name, times in Counter(names).items():
        if times > 1:
            yield Fault(name, f"is listed {times} times")
    for rate_hz in {each.rate_hz: None for each in listed.files}:
        yield from _length_faults([each for each in listed.files if each.rate_hz == rate_hz])
    added = {name for each in listed.adds_up for name in each.stems}
    for file in listed.files:
        if file.what == "stems" and file.file not in added:
            yield Fault(file.file, "is a stem of no sum that the manifest lists")
    for each in listed.adds_up:
        yield from _sum_faults(listed, each)


def _length_faults(files: list[SoundFile]) -> Iterator[Fault]:
    """Files of one rate have one length."""
    ((usual, _),) = Counter(each.frames for each in files).most_common(1)
    for each in files:
        if each.frames != usual:
            others = f"others at {each.rate_hz} Hz with {usual}"
            yield Fault(each.file, f"is listed with {each.frames} frames, {others}")


def _sum_faults(listed: Listed, each: Sum) -> Iterator[Fault]:
    files = {file.file: file for file in listed.files}
    for name in (each.mix, *each.stems):
        if name not in files:
            yield Fault(name, "is named in a sum, but is not among the files of the manifest")
    mix = files.get(each.mix)
    if mix is None:
        return
    if each.exactly != (mix.bits != "32_float"):
        yield Fault(
            each.mix, f'has {mix.bits} bits, which "exactly": {str(each.exactly).lower()} contradicts'
        )
    for name in each.stems:
        stem = files.get(name, mix)
        if (stem.rate_hz, stem.bits) != (mix.rate_hz, mix.bits):
            yield Fault(name, f"is listed with another rate or depth than {each.mix}, to which it adds up")


def log_faults(folder: Path, listed: Listed, there: Collection[str]) -> Iterator[Fault]:
    """Where the manifest contradicts the decision log, of the files that are there."""
    logs = [name for name in listed.beside if name.endswith(".decisions.json")]
    if not logs:
        yield Fault(manifest.NAME, "lists no decision log")
    for name in (log for log in logs if log in there):
        try:
            log = _typed(folder / name, decisions.load(folder / name), _Log)
        except SettingsFileError as error:
            yield Fault(name, "; ".join(error.faults))
        else:
            yield from _contradictions(manifest.load(folder), log, name)


def _contradictions(document: dict[str, Any], log: _Log, name: str) -> Iterator[Fault]:
    """What stands in both documents is the same in both."""
    told = {
        "song": log.song,
        "treatment_sha256": log.treatment_sha256,
        "made_with": log.versions,
        "inputs": decisions.files_named([each.model_dump(exclude_none=True) for each in log.inputs]),
    }
    for key, value in told.items():
        if document[key] != value:
            yield Fault(manifest.NAME, f"{key} is not what {name} says")
    records = {each.get("file"): each for each in log.deliveries}
    for each in document["files"]:
        record = records.pop(each["file"], None)
        if record is None:
            yield Fault(each["file"], f"is not among the deliveries of {name}")
            continue
        keys = [key for key, value in record.items() if each.get(key) != value]
        if keys:
            yield Fault(each["file"], f"{name} says otherwise of its {', '.join(keys)}")
    for file in records:
        yield Fault(str(file), f"is a delivery of {name}, but not in the manifest")
