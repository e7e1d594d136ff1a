"""Shootout files: which variations of a chain are compared, on which songs, and what counts as better."""

from __future__ import annotations

import json
from collections import Counter
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from busproc.delivery.orders import Name
from busproc.session import PathText
from busproc.settings import Settings
from busproc.shootouts.goal import Goal, Weights
from busproc.shootouts.significance import COUNTS


def _no_zero_byte(path: str) -> str:
    if "\0" in path:
        raise ValueError(f"{path!r} is no path that a file can have")
    return path


FileText = Annotated[PathText, AfterValidator(_no_zero_byte)]
SettingPath = Annotated[str, Field(min_length=1, max_length=200)]
Seed = Annotated[int, Field(ge=0, le=2**32 - 1, strict=True)]
Time = Annotated[float, Field(ge=0, le=86400, strict=True)]
Reason = Annotated[str, Field(max_length=400)]

MOST_VARIATIONS = 4096
"""Combinations of a grid, or samples, beyond which nothing is taken."""

MOST_SETTINGS = 16
"""Settings that a grid, samples or a search may change."""


class Passage(Settings):
    """A part of a song that is measured and listened to: found by measurement, or from here to there."""

    name: Name | None = None
    """Its name; null names it after what is found."""
    find: Literal["whole", "loudest", "quietest", "most_changing"] | None = None
    """The whole song, or its loudest, quietest or most changing 15 s."""
    from_s: Time | None = None
    """Its start in the song."""
    to_s: Time | None = None
    """Its end in the song."""

    @model_validator(mode="after")
    def _found_or_given(self) -> Self:
        times = (self.from_s, self.to_s)
        if (self.find is None) == (times == (None, None)) or (times.count(None) == 1):
            raise ValueError("give find, or from_s and to_s")
        if self.find is None and self.name is None:
            raise ValueError("a passage from here to there needs a name")
        if self.from_s is not None and self.to_s is not None and self.to_s <= self.from_s:
            raise ValueError(f"ends at {self.to_s:g} s, which is not after its start at {self.from_s:g} s")
        return self

    @property
    def called(self) -> str:
        """Its name, or that of what is found."""
        return self.name or str(self.find)


class ShootoutSong(Settings):
    """A song that every variation is tried on."""

    file: FileText
    """Session file, or audio file of a finished mix without mix-bus chain, relative to the shootout file."""
    passages: Annotated[tuple[Passage, ...], Field(max_length=32)] = ()
    """Passages of this song, besides those of all songs."""


class Listed(Settings):
    """A variation written out. With neither chain nor changes it is the base chain as it stands."""

    name: Name
    """Its name."""
    chain: FileText | None = None
    """The chain file it starts from, relative to the shootout file; null is the base chain."""
    set: Annotated[dict[SettingPath, Any], Field(default={})]
    """New values by path, such as "compressor.attack_ms": by a stage's name, its tag, or stages[n]."""
    reason: Reason = ""
    """Why it is tried; the report repeats it."""


def _values(value: Any) -> Any:
    if not isinstance(value, list | tuple) or not value:
        raise ValueError("must be a list of values")
    counts = Counter(json.dumps(each, sort_keys=True, default=str) for each in value)
    told, count = counts.most_common(1)[0]
    if count > 1:
        raise ValueError(f"{told} stands {count} times")
    return tuple(value)


def _rising(value: Any) -> Any:
    if not isinstance(value, list | tuple) or len(value) != 2 or not all(map(_is_number, value)):
        raise ValueError("must be two numbers, [low, high]")
    low, high = map(float, value)
    if not low < high:
        raise ValueError(f"must rise, and {low:g} is not under {high:g}")
    return low, high


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= 1e9


def _some(settings: Any) -> Any:
    if isinstance(settings, dict) and not 1 <= len(settings) <= MOST_SETTINGS:
        raise ValueError(f"must name 1 to {MOST_SETTINGS} settings, not {len(settings)}")
    return settings


SOME = Field(min_length=1, max_length=MOST_SETTINGS)
Values = Annotated[tuple[Any, ...], Field(min_length=1), BeforeValidator(_values)]
End = Annotated[float, Field(ge=-1e9, le=1e9)]
Range = Annotated[tuple[End, End], BeforeValidator(_rising)]
Ranges = Annotated[dict[SettingPath, Range], SOME, BeforeValidator(_some)]


class Grid(Settings):
    """Every combination of listed values."""

    set: Annotated[dict[SettingPath, Values], SOME, BeforeValidator(_some)]
    """Values by path; the last path changes fastest."""
    most: Annotated[int, Field(ge=1, le=MOST_VARIATIONS, strict=True)] = 64
    """More combinations than this are refused, so that a long render is asked for on purpose."""
    reason: Reason = ""
    """Why they are tried; the report repeats it."""


class Samples(Settings):
    """Settings drawn within ranges, rounded to 4 significant digits."""

    ranges: Ranges
    """Low and high end by path. Times, frequencies, ratios and q are spread by ratio, all else evenly."""
    count: Annotated[int, Field(ge=1, le=MOST_VARIATIONS, strict=True)] = 16
    """How many are drawn."""
    how: Literal["low_discrepancy", "random"] = "low_discrepancy"
    """Spread without gaps or clusters (a scrambled Sobol sequence), or each for itself."""
    seed: Seed = 1
    """Another seed draws others."""
    reason: Reason = ""
    """Why they are tried; the report repeats it."""


class Controls(Settings):
    """The untouched input, and one variation a second time, between which there is no difference."""

    seed: Seed = 1
    """Which variation is repeated: another seed, perhaps another one."""


class Match(Settings):
    """The loudness at which all variations of a song meet: that of the quietest, so that nothing clips."""

    to: Literal["integrated", "short_term"] = "integrated"
    """Integrated loudness of the song, or the highest short-term loudness of a passage."""
    passage: Name | None = None
    """The passage whose short-term loudness counts."""

    @model_validator(mode="after")
    def _passage_for_short_term(self) -> Self:
        if (self.to == "short_term") != (self.passage is not None):
            raise ValueError('"to": "short_term" names a passage, and "integrated" none')
        return self


def _countable(trials: int) -> int:
    if trials not in {0, *COUNTS}:
        raise ValueError(f"must be 0, or one of {', '.join(map(str, COUNTS))}, not {trials}")
    return trials


Trials = Annotated[int, Field(ge=0, le=max(COUNTS), strict=True), AfterValidator(_countable)]
NamedPair = Annotated[
    tuple[Annotated[str, Field(min_length=1, max_length=200)], ...], Field(min_length=2, max_length=2)
]


class Blind(Settings):
    """Listening trials with names hidden. Their number is settled here, before anyone listens."""

    abx: Trials = 16
    """ABX trials for each pair."""
    preference: Trials = 16
    """Preference trials for each pair."""
    pairs: Annotated[tuple[NamedPair, ...], Field(max_length=MOST_VARIATIONS)] = ()
    """Pairs of names; none: each variation with the untouched input. A repeat meets its twin anyway."""
    seed: Seed = 1
    """Order of the trials, and which is which."""

    @model_validator(mode="after")
    def _asks_something(self) -> Self:
        if self.abx + self.preference == 0:
            raise ValueError("asks for no trials: give abx or preference a number, or leave blind out")
        return self


class Refine(Settings):
    """A search within ranges for the goal, in values of 4 significant digits."""

    ranges: Ranges
    """Low and high end by path. Times, frequencies, ratios and q are spread by ratio, all else evenly."""
    budget: Annotated[int, Field(ge=4, le=MOST_VARIATIONS, strict=True)] = 60
    """How many settings are rendered at most."""
    seed: Seed = 1
    """Where the search begins: another seed, another way."""


class Shootout(Settings):
    """Variations of a chain, compared."""

    schema_: Annotated[str | None, Field(alias="$schema")] = None
    """Address of the JSON Schema, for editors; not read."""
    format: Literal["busproc-shootout/1"] = "busproc-shootout/1"
    """Kind and version of the file."""
    shootout: Annotated[str, Field(min_length=1, max_length=120, pattern=r"^[^\x00-\x1f\x7f]*$")]
    """Title; files are named after it."""
    notes: Annotated[str, Field(max_length=4000)] = ""
    """Words of your own, repeated in the report."""
    songs: Annotated[tuple[ShootoutSong, ...], Field(min_length=1, max_length=400)]
    """The songs that every variation is tried on."""
    bus: Name | None = None
    """Name of the stem, group or return whose chain is varied, heard in the mix; null is the mix bus."""
    chain: FileText | None = None
    """The base chain, relative to the shootout file; null is what the bus holds in each session."""
    variations: Annotated[tuple[Listed, ...], Field(max_length=MOST_VARIATIONS)] = ()
    """Variations written out."""
    grid: Grid | None = None
    """Variations by every combination of listed values."""
    samples: Samples | None = None
    """Variations drawn within ranges."""
    controls: Controls | None = Controls()
    """What is added to see whether a difference means anything; null adds nothing."""
    passages: Annotated[tuple[Passage, ...], Field(min_length=1, max_length=32)] = (Passage(find="whole"),)
    """What is measured and listened to in every song."""
    match: Match = Match()
    """The loudness at which all variations of a song meet."""
    reference: FileText | None = None
    """Audio file of a recording to come near to, relative to the shootout file."""
    weights: Weights | None = None
    """How the parts of the distance to the reference count; null keeps them apart."""
    goal: Goal | None = None
    """What counts as better; null ranks nothing."""
    blind: Blind | None = None
    """Listening trials; null asks for none."""
    refine: Refine | None = None
    """A search for the goal; null searches nothing."""
