"""Hits as a file to be edited, and in words."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from busproc.hits.settings import Hit, HitList

UNSURE = 0.6
"""What is less sure is worth a look. Ours."""


def is_unsure(hit: Hit) -> bool:
    """Whether a person had better look at it."""
    return hit.confidence < UNSURE


def hits_text(found: HitList) -> str:
    """A hit file with a line for each hit, so that one is taken out, moved or added by its line."""
    lines = ",\n".join(f"  {json.dumps(hit.model_dump())}" for hit in found.hits)
    hits = f"[\n{lines}\n ]" if lines else "[]"
    file = json.dumps(found.file, ensure_ascii=False)
    return f'{{\n "format": "{found.format}",\n "file": {file},\n "hits": {hits}\n}}\n'


def hits_in_words(found: HitList) -> str:
    """How many there are, how many are unsure, how strong they are: one line."""
    hits = found.hits
    if not hits:
        return "no hits"
    unsure = sum(map(is_unsure, hits))
    loudest = max(hits, key=lambda hit: hit.level_dbfs)
    softest = min(hits, key=lambda hit: hit.level_dbfs)
    return (
        f"{len(hits)} hit{'s' * (len(hits) > 1)}, {unsure} unsure (confidence under {UNSURE:g}); "
        f"loudest {_placed(loudest)}, softest {_placed(softest)}"
    )


def _placed(hit: Hit) -> str:
    return f"{hit.level_dbfs:.1f} dBFS at {hit.at_s:.3f} s"
