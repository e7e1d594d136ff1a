"""Sound files as stereo streams: where the passage to be heard lies, and blocks of it at any rate."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import soxr

from busproc.errors import InputError
from busproc.files import AudioReader
from busproc.measure.passages import Passage, Passages
from busproc.progress import Progress
from busproc.scratch import BLOCK_FRAMES
from busproc.stages.base import Audio

Heard = Literal["whole", "loudest", "quietest", "most_changing"]
LEAST_S = 10.0
"""Shorter sounds have no long-term spectrum worth the name. Ours, not a standard's."""


@dataclass(frozen=True)
class Sound:
    """A file, which part of it is compared, and where it is loudest."""

    path: Path
    rate_hz: int
    frames: int
    heard: Passage
    loudest: Passage

    @property
    def span(self) -> tuple[int, int]:
        """First frame that is heard, and the one after the last."""
        return self.frame(self.heard.from_s), min(self.frame(self.heard.to_s), self.frames)

    def frame(self, at_s: float) -> int:
        """The frame at a time."""
        return round(at_s * self.rate_hz)

    def blocks(self, first: int = 0, last: int | None = None) -> Iterator[Audio]:
        """Frames from `first` up to `last` as `(frames, 2)`; mono on both sides."""
        last = self.frames if last is None else min(last, self.frames)
        with AudioReader(self.path) as reader:
            at = 0
            while at < last and len(block := reader.read(min(BLOCK_FRAMES, last - at))):
                yield _stereo(block[max(0, first - at) :])
                at += len(block)

    def blocks_at(self, rate_hz: int) -> Iterator[Audio]:
        """The whole file at another rate."""
        if rate_hz == self.rate_hz:
            yield from self.blocks()
            return
        convert = soxr.ResampleStream(self.rate_hz, rate_hz, 2, dtype="float64", quality="VHQ")
        for block in self.blocks():
            yield convert.resample_chunk(block)
        yield convert.resample_chunk(np.zeros((0, 2)), last=True)


def find_sound(path: Path, heard: Heard, progress: Progress) -> Sound:
    """Listen to a file once, to know which part of it is to be compared.

    Raises
    ------
    AudioFileError
        For a file that cannot be read.
    InputError
        For one that is too short.
    """
    with AudioReader(path) as reader:
        rate_hz, frames = reader.info.rate_hz, reader.info.frames
        if frames < LEAST_S * rate_hz:
            raise InputError(
                f"{path} lasts {frames / rate_hz:.1f} s; to be compared it must last {LEAST_S:g} s or longer"
            )
        passages = Passages(rate_hz)
        while len(block := reader.read(BLOCK_FRAMES)):
            progress(f"listening to {path.name}", 0.0)
            passages.feed(_stereo(block))
    whole = Passage(0.0, frames / rate_hz)
    return Sound(
        path, rate_hz, frames, whole if heard == "whole" else getattr(passages, heard)(), passages.loudest()
    )


def _stereo(block: Audio) -> Audio:
    both = block if block.shape[1] == 2 else np.repeat(block, 2, axis=1)
    return np.ascontiguousarray(both)
