"""What a session asks to be delivered: the mix, its stems, versions of it; formats and names of files."""

from __future__ import annotations

import re
import unicodedata
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from busproc.settings import Settings

Name = Annotated[str, Field(min_length=1, max_length=60, pattern=r"^[\w][\w -]*$")]
Names = Annotated[tuple[Name, ...], Field(min_length=1, max_length=512)]
LevelDb = Annotated[float, Field(ge=-80, le=24, strict=True)]

Text = Annotated[str, Field(min_length=1, max_length=200)]

FIELDS = ("song", "piece", "number", "rate", "bits")
USUAL = "{song}_{piece}_{rate}{bits}"
STEMS_ONLY = (("by", "stems"), ("returns", "stems"), ("residual", "stems"))

NOT_A_NAME = re.compile(r"^(con|prn|aux|nul|com\d|lpt\d)(\..*)?$", re.IGNORECASE)
"""Names that one of the usual file systems keeps for itself."""


def _known_fields(pattern: str) -> str:
    bare = re.sub("|".join(rf"\{{{name}\}}" for name in FIELDS), "", pattern)
    if "{" in bare or "}" in bare:
        known = ", ".join(f"{{{name}}}" for name in FIELDS)
        raise ValueError(f"braces hold one of {known}")
    return pattern


class Tags(Settings):
    """What files say about the song, in bext chunks (WAV) and tags (FLAC)."""

    artist: Text | None = None
    """Who plays."""
    album: Text | None = None
    """The record it is from."""
    track_number: Annotated[int, Field(ge=1, le=999, strict=True)] | None = None
    """Its place there."""
    date: Annotated[str, Field(pattern=r"^\d{4}-\d\d-\d\d$")] | None = None
    """Year, month and day; files never take it from the clock."""
    isrc: Annotated[str, Field(pattern=r"^[A-Z]{2}[A-Z0-9]{3}\d{7}$")] | None = None
    """International Standard Recording Code (ISO 3901), without hyphens."""
    copyright: Text | None = None
    """Whose it is."""


class Version(Settings):
    """The mix with stems left out, added or trimmed. Stems may be named by a group that holds them."""

    name: Name
    """Its name, in file names too."""
    without: Names | None = None
    """Stems or groups to leave out."""
    only: Names | None = None
    """Stems or groups to keep; all others are left out."""
    also: Names | None = None
    """Stems with "heard": false to add (a clean take in place of one that is left out, say)."""
    trim_db: Annotated[dict[Name, LevelDb], Field(min_length=1)] | None = None
    """Change of level of stems or groups, after their chains."""
    decided_by: Literal["mix", "itself"] = "mix"
    """Whether gain curves and other decisions are those of the approved mix, or made anew."""
    if_over: Literal["limit", "trim", "refuse"] = "limit"
    """When kept decisions do not hold the ceiling: limit it again, turn its whole set down, write nothing."""
    compare: bool = False
    """Whether to render it both ways and tell in the log how far they differ."""

    @model_validator(mode="after")
    def _changes_something(self) -> Self:
        if self.without is not None and self.only is not None:
            raise ValueError("give without or only, not both")
        if (self.without, self.only, self.also, self.trim_db) == (None, None, None, None):
            raise ValueError("says nothing that differs from the mix: give without, only, also or trim_db")
        return self


class Delivery(Settings):
    """Files of one kind in one format. Those of the same rate and bits make a set, with one gain for all."""

    what: Literal["mix", "stems", "versions"] = "mix"
    """What is written: the mix, stems that add up to the mix of their set, or versions of the mix."""
    by: Literal["stem", "group"] | dict[Name, Names] | None = None
    """How stems are bundled: stem (null means that too), group, or bundles of stems and groups by name."""
    returns: Literal["shared", "separate"] | None = None
    """Whether stems carry their share of the returns, or returns are stems of their own; null is shared."""
    residual: bool | None = None
    """true bends each stem on its own, without what others do to it, and adds a file of what then lacks."""
    versions: Names | None = None
    """Which versions of the session; null is all."""
    container: Literal["wav", "flac"] = "wav"
    """Kind of file; a WAV over 4 GiB becomes RF64."""
    bits: Literal[16, 24, 32, "32_float"] = 24
    """Whole numbers of so many bits, or 32_float."""
    rate_hz: Annotated[int, Field(ge=8000, le=384000, strict=True)] | None = None
    """Sample rate of the file; null keeps the session's."""
    dither: bool = True
    """Triangular dither when reducing to whole numbers."""
    if_over: Literal["refuse", "trim"] = "refuse"
    """What to do when whole numbers would pass full scale: write nothing, or turn the set down."""
    names: Annotated[str, Field(min_length=1, max_length=120), AfterValidator(_known_fields)] | None = None
    """Pattern of file names, out of {song}, {piece}, {number}, {rate} and {bits}; null is all of them."""

    @model_validator(mode="after")
    def _container_holds_it(self) -> Self:
        if self.container == "flac" and self.bits not in {16, 24}:
            raise ValueError(f"a FLAC file holds 16 or 24 bits, not {self.bits}; use the wav container")
        return self

    @model_validator(mode="after")
    def _belongs_to_what(self) -> Self:
        for key, what in (*STEMS_ONLY, ("versions", "versions")):
            if getattr(self, key) is not None and self.what != what:
                raise ValueError(f'{key} belongs to "what": "{what}"')
        return self

    @property
    def folder(self) -> str:
        """Where its files go, within the delivery."""
        if self.what != "stems":
            return "" if self.what == "mix" else "versions"
        by = self.by if isinstance(self.by, str) else "bundle" if self.by else "stem"
        more = "_and_returns" if self.returns == "separate" else ""
        return f"{by}s{more}{'_with_residual' if self.residual else ''}"

    def rate_of(self, session_rate_hz: int) -> int:
        """Sample rate of the file."""
        return self.rate_hz or session_rate_hz

    def file_name(self, song: str, piece: str, number: str, session_rate_hz: int, part: str = "") -> str:
        """Name of a file: song, number of a stem, what it is, any part of it, rate in kHz and bits.

        >>> Delivery(rate_hz=44100).file_name("Harbour Lamps", "mix", "01", 48000)
        'Harbour_Lamps_mix_44.1k24.wav'
        >>> Delivery(what="stems", names="{number} {piece}").file_name("Harbour Lamps", "tuba", "03", 48000)
        '03_tuba.wav'
        """
        pattern = self.names or ("{song}_{number}_{piece}_{rate}{bits}" if self.what == "stems" else USUAL)
        name = pattern.format(
            song=plain_name(song),
            piece=plain_name(piece) + part,
            number=number,
            rate=f"{self.rate_of(session_rate_hz) / 1000:g}k",
            bits="32f" if self.bits == "32_float" else str(self.bits),
        )
        return f"{plain_name(name, 240)}.{self.container}"


def plain_name(title: str, longest: int = 100) -> str:
    """A title as part of file names that every usual file system takes.

    >>> plain_name("What? A Song!")
    'What_A_Song'
    >>> plain_name("con")
    'con_'
    """
    plain = re.sub(r"[^\w.-]+", "_", unicodedata.normalize("NFC", title)).strip("_.") or "song"
    plain = f"{plain}_" if NOT_A_NAME.match(plain) else plain
    return plain.encode()[:longest].decode(errors="ignore")  # a file's name has at most 255 bytes
