"""Adding files up again: where stems and mix part, by how much, and whether a stem only came late."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from busproc.files import AudioReader
from busproc.scratch import BLOCK_FRAMES

Audio = NDArray[np.float64]

FLOAT_FLOOR = 1e-7
"""-140 dBFS: what single precision may leave of a sum at usual levels."""
FLOAT_ROUNDING = 2.0**-24
"""What single precision may lose of each number, as a share of it: many loud stems pass the floor."""
MOST_LATE_FRAMES = BLOCK_FRAMES
"""The farthest a stem is looked for from its place."""


@dataclass(frozen=True)
class Residue:
    """What stands between a mix and the sum of its stems: its first frame, how many, its peak (linear)."""

    first_frame: int
    frames: int
    peak: float


def find_residue(mix: Path, stems: Sequence[Path], *, exactly: bool) -> Residue | None:
    """Add stems up and compare them with the mix; a file that ends early counts as silent from there.

    Samples of up to 32 bits are whole multiples of 2^-31, which float64 adds without rounding, 2^21 of them
    at full scale: this is a sum in whole numbers.

    Parameters
    ----------
    mix, stems
        The files.
    exactly
        Whether every sample must agree; else as far as single precision allows.

    Returns
    -------
    Residue or None
        None when they agree.
    """
    at, first, frames, peak = 0, 0, 0, 0.0
    for sounds in _side_by_side([mix, *stems]):
        apart = np.abs(sounds[0] - sounds[1:].sum(axis=0))
        allowed = 0.0 if exactly else np.maximum(FLOAT_FLOOR, FLOAT_ROUNDING * np.abs(sounds).sum(axis=0))
        wrong = (apart > allowed).any(axis=1)
        if wrong.any():
            first = first if frames else at + int(wrong.argmax())
            frames += int(wrong.sum())
            peak = max(peak, float(apart[wrong].max()))
        at += len(wrong)
    return Residue(first, frames, peak) if frames else None


def late_frames(stem: Path, mix: Path, others: Sequence[Path]) -> int:
    """By how many frames a stem comes late (negative: early), where that is all that is wrong; else 0.

    What the stem ought to be is the mix without the others, in whole numbers.
    """
    files = [stem, mix, *others]
    for late in _distances(map(_is_and_ought, _side_by_side(files))):
        skipped = [max(late, 0), *[max(-late, 0)] * (len(files) - 1)]
        moved = map(_is_and_ought, _side_by_side(files, skipped, until=min))
        if all(np.array_equal(*pair) for pair in moved):
            return late
    return 0


def _is_and_ought(sounds: Audio) -> tuple[Audio, Audio]:
    return sounds[0], sounds[1] - sounds[2:].sum(axis=0)


def _distances(pairs: Iterable[tuple[Audio, Audio]]) -> list[int]:
    """How far apart two sounds begin, and how far apart they end: one may have been cut off by the move."""
    sounding: tuple[list[int], list[int]] = ([], [])
    at = 0
    for pair in pairs:
        for found, sound in zip(sounding, pair, strict=True):
            frames = np.flatnonzero(sound.any(axis=1))
            found += [at + int(frame) for frame in (*frames[:1], *frames[-1:])]
        at += len(pair[0])
    if not all(sounding):
        return []
    is_, ought = sounding
    distances = dict.fromkeys([is_[0] - ought[0], is_[-1] - ought[-1]])
    return [frames for frames in distances if 0 < abs(frames) <= MOST_LATE_FRAMES]


def _side_by_side(
    files: Sequence[Path],
    skipped: Sequence[int] = (),
    until: Callable[[Iterable[int]], int] = max,
) -> Iterator[Audio]:
    """Blocks `(files, frames, 2)` until the longest or the shortest ends, each file after what is skipped."""
    with ExitStack() as opened:
        readers = [opened.enter_context(AudioReader(file)) for file in files]
        for reader, frames in zip(readers, skipped, strict=False):
            reader.read(frames)
        lengths = [reader.info.frames for reader in readers]
        starts = skipped or [0] * len(files)
        left = until(length - start for length, start in zip(lengths, starts, strict=True))
        step = max(1024, BLOCK_FRAMES // len(files))
        for at in range(0, left, step):
            sounds = np.zeros((len(files), min(step, left - at), 2))
            for sound, reader in zip(sounds, readers, strict=True):
                block = reader.read(len(sound))
                sound[: len(block)] = block
            yield sounds
