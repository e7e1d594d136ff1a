"""Whether a reference is the same programme, treated: found, aligned and compared line by line."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from scipy import fft

from busproc.comparing.sounds import Sound
from busproc.comparing.spectra import Transfer
from busproc.progress import Progress
from busproc.scratch import BLOCK_FRAMES
from busproc.stages.base import Audio
from busproc.through import Entrance

EXPLAINED = 0.9
"""A filter that explains so much of a reference's power, in the median of all bands, is taken for what was
done to the same programme. Ours, not a standard's."""
MOST_APART_S = 2.0
PIECE_S = 6.0
LEAST_WINDOWS = 8
"""Fewer would explain much by chance."""


@dataclass(frozen=True)
class Copy:
    """A reference that is the mix, treated.

    Attributes
    ----------
    sound
        The file.
    late_frames
        How much later than the mix it starts, at the mix's rate.
    first
        Where what is heard of the mix begins.
    explained
        Share of it that one filter explains.
    """

    sound: Sound
    late_frames: int
    first: int
    explained: float = 0.0

    def beside(self, heard: Entrance) -> Iterator[tuple[Audio, Audio]]:
        """Blocks of a sound and of this copy of it, aligned."""
        at = -self.first - self.late_frames
        for block in self.sound.blocks_at(heard.rate_hz):
            for start in range(0, len(block), BLOCK_FRAMES):
                piece = block[start : start + BLOCK_FRAMES]
                skip, last = max(0, -at), min(len(piece), heard.frames - at)
                if last > skip:
                    yield heard.sound.read(heard.late_frames + at + skip, last - skip), piece[skip:last]
                at += len(piece)

    def transfer(self, heard: Entrance, progress: Progress) -> Transfer:
        """What a filter must do to a sound to become this."""
        found = Transfer(heard.rate_hz)
        for ours, theirs in self.beside(heard):
            progress(f"comparing with {self.sound.path.name}", 0.0)
            found.feed(ours, theirs)
        return found


def find_copy(mix: Sound, reference: Sound, entrance: Entrance, progress: Progress) -> Copy | None:
    """Give the reference as a copy of the mix, or none if it is another programme.

    Parameters
    ----------
    mix, reference
        The files.
    entrance
        The part of the mix that is heard.
    progress
        Called now and then.
    """
    copy = Copy(reference, _late_frames(mix, reference), mix.span[0])
    found = copy.transfer(entrance, progress)
    explained = float(np.median(found.explained())) if found.windows >= LEAST_WINDOWS else 0.0
    return replace(copy, explained=explained) if explained >= EXPLAINED else None


def _late_frames(mix: Sound, reference: Sound) -> int:
    """How much later the reference starts, if it is the same: where both are most alike, in their middle."""
    rate, apart = mix.rate_hz, round(MOST_APART_S * mix.rate_hz)
    first = round(mix.loudest.from_s * rate)
    ours = _part(mix.blocks_at(rate), first, round(PIECE_S * rate))
    theirs = _part(reference.blocks_at(rate), first - apart, len(ours) + 2 * apart)
    size = fft.next_fast_len(len(theirs) + len(ours), real=True)
    across = (fft.rfft(ours, size, axis=0).conj() * fft.rfft(theirs, size, axis=0)).sum(axis=1)
    height = np.abs(across)
    even = across / np.sqrt(height + 1e-9 * height.max() + 1e-300)
    return int(np.abs(fft.irfft(even, size)[: 2 * apart + 1]).argmax()) - apart


def _part(blocks: Iterator[Audio], first: int, frames: int) -> Audio:
    """A part of a stream; silence where there is none."""
    part, at = np.zeros((frames, 2)), -first
    for block in blocks:
        low, high = max(0, at), min(frames, at + len(block))
        if high > low:
            part[low:high] = block[low - at : high - at]
        at += len(block)
        if at >= frames:
            break
    return part
