"""What a listening page lets one hear."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

VariationKind = Literal["variation", "untouched", "repeat"]


@dataclass(frozen=True)
class HeardPassage:
    """A stretch of a song, in seconds of the song."""

    name: str
    from_s: float
    to_s: float


@dataclass(frozen=True)
class HeardSong:
    """A song and what is heard of it."""

    name: str
    rate_hz: int
    passages: tuple[HeardPassage, ...]


@dataclass(frozen=True)
class HeardVariation:
    """One line of the list.

    Parameters
    ----------
    id
        What trials call it.
    name
        What the page calls it.
    kind
        A variation, the untouched input, or another variation once more.
    says
        Its changes in words.
    gained_lu
        By song and passage: how much louder than the untouched it was before it was matched; None if that is
        not known.
    """

    id: str
    name: str
    kind: VariationKind
    says: str
    gained_lu: tuple[tuple[float | None, ...], ...]


@dataclass(frozen=True)
class Listening:
    """All of a page but its sounds.

    Parameters
    ----------
    title, notes
        Over the page.
    songs, variations
        Every variation is heard in every passage of every song.
    trials
        Blind trials as planned, `busproc-trials/1` with its `plan_sha256`; None for a page without.
    """

    title: str
    notes: str
    songs: tuple[HeardSong, ...]
    variations: tuple[HeardVariation, ...]
    trials: Mapping[str, Any] | None = None


@dataclass(frozen=True)
class Heard:
    """A variation in a passage.

    Parameters
    ----------
    sound
        (frames, 2), full scale 1.0, matched in level; as many frames as every other variation there.
    reduction_db
        Gain reduction of each 0.1 s, positive; None where nothing reduces.
    third_octaves_db
        Level by nominal midband frequency, as `busproc.stages.observe.NOMINAL_HZ` names them.
    """

    sound: NDArray[np.float64]
    reduction_db: Sequence[float] | None
    third_octaves_db: Mapping[str, float | None]
