"""Hit files: when a recording is struck and how strongly; made by `busproc hits`, edited by hand."""

from __future__ import annotations

import itertools
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from busproc.settings import Settings


class Hit(Settings):
    """One hit."""

    at_s: Annotated[float, Field(ge=0, le=86400, strict=True)]
    """Its onset, from the start of the file."""
    level_dbfs: Annotated[float, Field(ge=-140, le=40, strict=True)]
    """How strong it is: see `busproc.hits.strength.strength_dbfs`."""
    confidence: Annotated[float, Field(ge=0, le=1, strict=True)] = 1.0
    """How sure it is that there is one; 1 where a person says so."""


def _rising(hits: tuple[Hit, ...]) -> tuple[Hit, ...]:
    for n, (earlier, later) in enumerate(itertools.pairwise(hits)):
        if later.at_s <= earlier.at_s:
            raise ValueError(
                f"hits must come at rising times: hits[{n + 1}].at_s is {later.at_s:g} s, "
                f"hits[{n}].at_s is {earlier.at_s:g} s"
            )
    return hits


class HitList(Settings):
    """All hits of one recording."""

    schema_: Annotated[str | None, Field(alias="$schema")] = None
    """Address of the JSON Schema, for editors; not read."""
    format: Literal["busproc-hits/1"] = "busproc-hits/1"
    """Kind and version of the file."""
    file: Annotated[str, Field(max_length=400)] = ""
    """Name of the recording, for people."""
    hits: Annotated[tuple[Hit, ...], Field(max_length=100000), AfterValidator(_rising)]
    """Its hits, in order: take out, move or add what was heard wrongly."""
