"""What a render has made, kept on disk: the mix, contributions to it, versions decided by themselves."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from busproc.delivery.shares import Pass, Piece
from busproc.scratch import BLOCK_FRAMES, Scratch

Audio = NDArray[np.float64]


@dataclass(frozen=True)
class Carried:
    """A streaming run's contributions, `(frames, lanes, 2)`, and the pieces that are made of them."""

    plan: Pass
    lanes: Scratch


@dataclass(frozen=True)
class Sounds:
    """All that was made, at one rate and of one length.

    `alone` are versions with a sound of their own, by name: decided by themselves, or `limited` again.
    """

    rate_hz: int
    mix: Scratch
    carried: tuple[Carried, ...] = ()
    alone: Mapping[str, Scratch] = field(default_factory=dict)
    limited: frozenset[str] = frozenset()

    def at_rate(self, rate_hz: int) -> Sounds:
        """The same at another sample rate."""
        if rate_hz == self.rate_hz:
            return self

        def converted(sound: Scratch) -> Scratch:
            return convert(sound, self.rate_hz, rate_hz)

        return Sounds(
            rate_hz,
            converted(self.mix),
            tuple(replace(each, lanes=converted(each.lanes)) for each in self.carried if each.plan.lanes),
            {name: converted(sound) for name, sound in self.alone.items()},
        )

    def with_limited(self, again: Mapping[str, Scratch]) -> Sounds:
        """The same, with versions in place of which what a limiter made of them is written."""
        carried = tuple(replace(each, plan=each.plan.without(again.keys())) for each in self.carried)
        return replace(self, carried=carried, alone={**self.alone, **again}, limited=frozenset(again))


def spans(first: int, last: int, lanes: int = 1) -> Iterator[tuple[int, int]]:
    """Cut frames into blocks that take the same memory however many lanes they have."""
    step = max(1024, BLOCK_FRAMES // max(1, lanes))
    for at in range(first, last, step):
        yield at, min(step, last - at)


def combined(mix: Audio, lanes: Audio, piece: Piece) -> Audio:
    """A piece `(frames, 2)` out of `lanes (frames, lanes, 2)`, of which the first is number 1."""
    if piece.is_rest:
        rest: Audio = mix - lanes.sum(axis=1)
        return rest
    total = np.zeros((len(lanes), 2))
    for lane, gain in piece.gains.items():
        total += lanes[:, lane - 1] * gain
    return total


def convert(sound: Scratch, from_hz: int, to_hz: int) -> Scratch:
    """The same sound at another rate."""
    import soxr

    shape = sound.shape
    made = Scratch(shape, sound.folder)
    stream = soxr.ResampleStream(from_hz, to_hz, int(np.prod(shape)), dtype="float64", quality="VHQ")
    for at, frames in spans(0, sound.frames, int(np.prod(shape)) // 2):
        block = sound.read(at, frames).reshape(frames, -1)
        made.append(stream.resample_chunk(block).reshape(-1, *shape))
    rest = stream.resample_chunk(np.zeros((0, int(np.prod(shape)))), last=True)
    made.append(rest.reshape(-1, *shape))
    return made
