"""The listening page of a shootout: opened from disk, without a server and without a network."""

from busproc.shootouts.listening.model import (
    Heard,
    HeardPassage,
    HeardSong,
    HeardVariation,
    Listening,
    VariationKind,
)
from busproc.shootouts.listening.writing import write_page

__all__ = [
    "Heard",
    "HeardPassage",
    "HeardSong",
    "HeardVariation",
    "Listening",
    "VariationKind",
    "write_page",
]
