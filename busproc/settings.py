"""Typed, immutable settings: the base of every object that is read from JSON, and what its names promise."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationInfo
from pydantic.json_schema import GenerateJsonSchema

UNITS = {
    "_db_per_octave": "dB/octave",
    "_dbfs": "dBFS",
    "_dbtp": "dBTP",
    "_lufs": "LUFS",
    "_db": "dB",
    "_lu": "LU",
    "_hz": "Hz",
    "_bpm": "BPM",
    "_cents": "cents",
    "_ms": "ms",
    "_s": "s",
}
"""Ending of a key name: the unit its number is in."""

DIMENSIONLESS = frozenset(
    {
        "ratio",
        "q",
        "mix",
        "width",
        "pan",
        "factor",
        "above",
        "below",
        "seed",
        "bits",
        "stereo_link",
        "bias",
        "correlation_floor",
        "density",
        "follow",
        "confidence",
    }
)
"""Key names whose numbers need no unit, or (above, below) take that of the measure beside them."""


class Settings(BaseModel):
    """Frozen settings that refuse unknown keys and numbers that are not finite."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        allow_inf_nan=False,
        use_attribute_docstrings=True,
        validate_default=True,
    )


class NamedFile(str):
    """A file's name as it stands in settings; it also knows the folder from which it is meant.

    Settings are read with `context={"folder": ...}`, or else meant from the working folder, and with
    `"seen_from"` the name is put so that it leads to the same file from another folder.

    >>> file = NamedFile("../rooms/hall.wav", Path("/songs/chains"))
    >>> str(file.seen_from(Path("/songs"))), str(file.path)
    ('rooms/hall.wav', '/songs/chains/../rooms/hall.wav')
    """

    __slots__ = ("folder",)

    folder: Path

    def __new__(cls, name: str, folder: Path = Path()) -> Self:
        """Keep the folder beside the text."""
        made = super().__new__(cls, name)
        made.folder = folder
        return made

    @property
    def path(self) -> Path:
        """Where it lies."""
        return self.folder / self

    def seen_from(self, folder: Path) -> NamedFile:
        """The same file, named from another folder; a name from the root stays as it is."""
        if folder == self.folder or Path(self).is_absolute():
            return NamedFile(self, folder)
        return NamedFile(Path(os.path.relpath(self.path, folder)).as_posix(), folder)


def _named(name: str, info: ValidationInfo) -> NamedFile:
    told = info.context or {}
    file = NamedFile(name, told.get("folder", Path()))
    return file.seen_from(told.get("seen_from", file.folder))


FileName = Annotated[str, Field(min_length=1, max_length=400), AfterValidator(_named)]
"""A setting that names a file."""


def named_files(settings: Any, where: str = "") -> Iterator[tuple[str, NamedFile]]:
    """Every file that settings name, inner ones too, each with the JSON path that leads to it."""
    if isinstance(settings, NamedFile):
        yield where, settings
    elif isinstance(settings, BaseModel):
        for key in type(settings).model_fields:
            yield from named_files(getattr(settings, key), f"{where}.{key}" if where else key)
    elif isinstance(settings, tuple):
        for n, each in enumerate(settings):
            yield from named_files(each, f"{where}[{n}]")


def unit_of(key: str) -> str:
    """Tell the unit that a key's name carries, or '' where it needs none.

    >>> unit_of("slope_db_per_octave"), unit_of("attack_ms"), unit_of("ratio")
    ('dB/octave', 'ms', '')
    """
    return next((unit for ending, unit in UNITS.items() if key.endswith(ending)), "")


class PublishedSchema(GenerateJsonSchema):
    """JSON Schema in which the keys that say what an object is (`format`, `stage`) are required."""

    def model_schema(self, schema: Any) -> dict[str, Any]:
        """Add the telling key to what is required."""
        made = super().model_schema(schema)
        telling = [key for key in ("format", "stage") if key in made.get("properties", {})]
        if telling:
            made["required"] = telling + [k for k in made.get("required", []) if k not in telling]
        return made
