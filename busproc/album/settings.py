"""Album files: which songs make a record, and what must be the same across them."""

from __future__ import annotations

from typing import Annotated, Any, Literal, Self

from pydantic import Field, model_validator

from busproc.delivery.orders import Delivery
from busproc.session import PathText
from busproc.settings import Settings


class Difference(Settings):
    """A change of the shared chain for one song."""

    set: Annotated[dict[Annotated[str, Field(min_length=1, max_length=200)], Any], Field(min_length=1)]
    """New values by path, such as "compressor.threshold_dbfs": by a stage's name, its tag, or stages[n]."""
    reason: Annotated[str, Field(min_length=1, max_length=400)]
    """Why this song differs; the log repeats it."""


class AlbumSong(Settings):
    """One song of a record."""

    session: PathText
    """Session file, relative to the album file. What its mix bus holds gives way to the shared chain."""
    exceptions: Annotated[tuple[Difference, ...], Field(max_length=32)] = ()
    """What differs for this song."""
    gap_s: Annotated[float, Field(ge=0, le=60, strict=True)] = 2.0
    """Silence before it on the continuous print, up to the next 1/75 s; the first song has none."""
    fade_in_s: Annotated[float, Field(ge=0, le=60, strict=True)] = 0.0
    """Fade from silence at its start on the continuous print, half a cosine; its own files have none."""
    fade_out_s: Annotated[float, Field(ge=0, le=60, strict=True)] = 0.0
    """Fade to silence at its end on the continuous print, half a cosine; its own files have none."""


class Calibration(Settings):
    """How hard every song enters the shared chain."""

    by: Literal["short_term_95", "integrated", "true_peak"] = "short_term_95"
    """What is measured at the mix bus's entrance: 95th percentile of short-term loudness, or one figure."""
    drive_lufs: Annotated[float, Field(ge=-60, le=0, strict=True)] | None = None
    """Loudness at which every song enters (dBTP for true_peak); null takes the median of the record."""
    undo: bool = False
    """Whether the trim is taken back behind the chain, so that songs keep their own levels."""


class Loudness(Settings):
    """How loud the songs of a record leave."""

    how: Literal["per_song", "loudest_song", "whole_record"] = "loudest_song"
    """Each song meets the target; or the loudest does, or the record as a whole, and distances stay."""
    target_lufs: Annotated[float, Field(ge=-60, le=-3, strict=True)]
    """Integrated loudness (BS.1770-5)."""


class Album(Settings):
    """A record."""

    schema_: Annotated[str | None, Field(alias="$schema")] = None
    """Address of the JSON Schema, for editors; not read."""
    format: Literal["busproc-album/1"] = "busproc-album/1"
    """Kind and version of the file."""
    album: Annotated[str, Field(min_length=1, max_length=120, pattern=r"^[^\x00-\x1f\x7f]*$")]
    """Title; files are named after it."""
    notes: Annotated[str, Field(max_length=4000)] = ""
    """Words of your own, repeated in the report."""
    chain: PathText
    """The shared mix-bus chain, relative to the album file. A limiter at its end is the final one."""
    songs: Annotated[tuple[AlbumSong, ...], Field(min_length=1, max_length=400)]
    """In the order of the record."""
    calibrate: Calibration | None = Calibration()
    """How hard every song enters the chain; null leaves each as it is mixed."""
    loudness: Loudness | None = None
    """How loud the songs leave; null lets the chain decide."""
    deliver: Annotated[tuple[Delivery, ...], Field(min_length=1, max_length=32)] = (Delivery(),)
    """What is written of every song, in place of what its session says."""
    reel: bool = False
    """Whether all songs are also written as one continuous file, with marks and a CUE sheet."""

    @model_validator(mode="after")
    def _reel_has_a_mix(self) -> Self:
        if self.reel and all(item.what != "mix" for item in self.deliver):
            raise ValueError('a reel is made of mixes; deliver {"what": "mix"} too')
        return self

    @property
    def mix(self) -> Delivery:
        """The first mix that is delivered, of which a reel is made."""
        return next(item for item in self.deliver if item.what == "mix")
