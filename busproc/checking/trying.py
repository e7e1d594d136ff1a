"""A change to one stem, heard in the mix: what the stem gains by it, and what all others lose."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from busproc.checking.findings import shares_of
from busproc.checking.hearing import Contributions, LoudnessOf, mixed
from busproc.errors import InputError
from busproc.jsonfile import nearest
from busproc.measure.masking import Masking
from busproc.progress import Progress, silently
from busproc.scratch import Scratch
from busproc.song import Song, load_session
from busproc.through import Entrance, through

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    import numpy as np
    from numpy.typing import NDArray

    from busproc.chain import Chain

    Audio = NDArray[np.float64]

NOTICED = 0.002
"""Share of the mix's loudness that a change must win or lose to count. Ours."""


@dataclass(frozen=True)
class Change:
    """What a change to a stem does.

    Attributes
    ----------
    stem
        Its name.
    before, after
        Share of its loudness that each stem loses to all others together, 0 to 1.
    net
        Share of the mix's loudness that is lost more, each stem's by its share; negative for less.
    louder_lu
        How much louder the stem has become; None for silence.
    verdict
        "better", "worse" or "no difference", by `net`.
    """

    stem: str
    before: Mapping[str, float]
    after: Mapping[str, float]
    net: float
    louder_lu: float | None
    verdict: Literal["better", "worse", "no difference"]


def try_change(
    session: Song | Path | str,
    stem: str,
    chain: Chain,
    *,
    allow_outside: bool = False,
    progress: Progress = silently,
) -> Change:
    """Put a chain behind all that a stem passes, and hear what is hidden then.

    Parameters
    ----------
    session
        A session file, or a song from `load_session`.
    stem
        Name of a stem that is in the mix.
    chain
        What to try; it must not listen to keys. Dynamics on buses behind it are taken to do what they did.
    allow_outside, progress
        As in `check`.

    Raises
    ------
    InputError
        When there is no such stem in the mix, or the chain listens to keys.
    """
    song = session if isinstance(session, Song) else load_session(session, allow_outside=allow_outside)
    _refuse(song, stem, chain)
    contributions = Contributions(song, progress)
    with Scratch((2,)) as sound:
        before = _heard(song, _keeping(contributions, mixed(song), stem, sound))
        left = through(chain.placed(), Entrance(song.rate_hz, sound, sound.frames)).left
        after = _heard(song, _replacing(contributions, mixed(song), stem, left))
    net = sum(
        share * (after.losses.get(name, 0.0) - before.losses.get(name, 0.0))
        for name, share in before.shares.items()
    )
    old, new = before.lufs[stem], after.lufs[stem]
    return Change(
        stem,
        before.losses,
        after.losses,
        net,
        None if old is None or new is None else new - old,
        "no difference" if abs(net) < NOTICED else "worse" if net > 0 else "better",
    )


@dataclass(frozen=True)
class _Heard:
    losses: dict[str, float]
    shares: dict[str, float]
    lufs: dict[str, float | None]


def _refuse(song: Song, stem: str, chain: Chain) -> None:
    if stem not in mixed(song):
        raise InputError(f"{stem!r} is no stem in the mix{nearest(stem, mixed(song))}")
    if any(True for _ in chain.key_inputs()):
        raise InputError("a chain that listens to keys cannot be tried on a stem by itself; leave them out")


def _heard(song: Song, sounds: Iterator[dict[str, Audio]]) -> _Heard:
    names = mixed(song)
    masking = Masking(song.rate_hz, names)
    loudness = {name: LoudnessOf(song.rate_hz) for name in names}
    for blocks in sounds:
        masking.feed(blocks)
        for name, block in blocks.items():
            loudness[name].feed(block)
    return _Heard(
        {each.masked: each.loss for each in masking.against_rest()},
        shares_of({name: each.power for name, each in loudness.items()}),
        {name: each.lufs for name, each in loudness.items()},
    )


def _keeping(
    contributions: Contributions, names: list[str], stem: str, sound: Scratch
) -> Iterator[dict[str, Audio]]:
    """All stems, one of them put on disk as it goes by."""
    for blocks in contributions.blocks(names):
        sound.append(blocks[stem])
        yield blocks


def _replacing(
    contributions: Contributions, names: list[str], stem: str, left: Entrance
) -> Iterator[dict[str, Audio]]:
    """All stems, one of them as it has left the chain."""
    at = left.late_frames
    for blocks in contributions.blocks(names):
        yield blocks | {stem: left.sound.read(at, len(blocks[stem]))}
        at += len(blocks[stem])
