"""What a session says of a stem that plays samples at the hits of a recording."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from busproc.settings import Settings

PathText = Annotated[str, Field(min_length=1, max_length=400)]
StrengthDb = Annotated[float, Field(ge=-60, le=60, strict=True)]


class Sample(Settings):
    """A sound that is played at hits."""

    file: PathText
    """Audio file of one or two channels and up to 30 s, relative to the session file."""
    from_db: StrengthDb | None = None
    """For hits at least this strong against the median hit; null is for any. Of the samples that a hit is
    strong enough for, those with the highest `from_db` take turns."""


class Reinforce(Settings):
    """Samples in place of a recording, one at each of its hits."""

    hits: PathText
    """Hit file of the recording (`busproc hits`), relative to the session file."""
    samples: Annotated[tuple[Sample, ...], Field(min_length=1, max_length=64)]
    """What is played: several take turns, or each plays the hits of its strength."""
    follow: Annotated[float, Field(ge=0, le=1, strict=True)] = 1.0
    """How far a sample's level follows its hit's, in dB per dB: 1 makes it as strong as the hit, 0 makes all
    as strong as the median hit."""
    only_below_db: StrengthDb | None = None
    """Only hits weaker than this against the median hit; null is all."""
    place: Literal["in_phase", "at_onset"] = "in_phase"
    """in_phase: moved by up to 2 ms, and turned over if need be, to where it adds up with the recording;
    at_onset: where the hit begins, for samples whose distance is the point, such as rooms."""
