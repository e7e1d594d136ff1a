"""Samples played at the hits of a recording, read like a file."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Self

import numpy as np

from busproc.kernels import fraction

if TYPE_CHECKING:
    from pathlib import Path
    from types import TracebackType

    from numpy.typing import NDArray

    from busproc.files import AudioInfo
    from busproc.hits.placing import Stroke

    Audio = NDArray[np.float64]


@dataclass(frozen=True)
class Played:
    """What a reinforced stem plays.

    Attributes
    ----------
    samples
        `(frames, channels)` each, at the recording's rate, all with as many channels.
    strokes
        Which one, where and how loud, in the order of the hits.
    inputs
        Files that it is made of beside the recording: what the session calls them, path, checksum.
    skipped
        How many hits of the recording are left as they are.
    hits_of
        Name of the recording that the hit file says it is of; empty where it says nothing.
    """

    samples: tuple[Audio, ...]
    strokes: tuple[Stroke, ...]
    inputs: tuple[tuple[str, Path, str], ...]
    skipped: int
    hits_of: str

    def info(self, recording: AudioInfo) -> AudioInfo:
        """What a file of it would say of itself: as long as the recording, or as its last sample sounds."""
        ends = [math.ceil(each.at_frame) + len(self.samples[each.sample]) for each in self.strokes]
        frames = max([recording.frames, *ends])
        return replace(recording, channels=self.samples[0].shape[1], frames=frames)


class PlayedReader:
    """The sound of all strokes, read from front to end.

    Parameters
    ----------
    played
        What is played.
    info
        What it is, from `Played.info`.
    """

    def __init__(self, played: Played, info: AudioInfo) -> None:
        self.info = info
        self._samples = played.samples
        self._waiting = sorted(played.strokes, key=lambda each: each.at_frame)
        self._sounding: list[tuple[int, Audio]] = []
        self._at = self._next = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        pass

    def read(self, frames: int) -> Audio:
        """The next frames, `(n, channels)`; fewer than asked for only at the end."""
        frames = min(frames, self.info.frames - self._at)
        block, end = np.zeros((frames, self.info.channels)), self._at + frames
        while self._next < len(self._waiting) and _begins(self._waiting[self._next]) < end:
            self._sounding.append(self._shifted(self._waiting[self._next]))
            self._next += 1
        for begin, sound in self._sounding:
            first, last = max(begin, self._at), min(begin + len(sound), end)
            if first < last:
                block[first - self._at : last - self._at] += sound[first - begin : last - begin]
        self._sounding = [each for each in self._sounding if each[0] + len(each[1]) > end]
        self._at = end
        return block

    def _shifted(self, stroke: Stroke) -> tuple[int, Audio]:
        """Where its sound begins, and the sound: between frames by the filter that also aligns stems."""
        sample = self._samples[stroke.sample] * stroke.gain
        whole, part = fraction.parted(stroke.at_frame)
        if not part:
            return whole, sample
        padded = np.concatenate([sample, np.zeros((fraction.TAPS - 1, sample.shape[1]))])
        held = fraction.start(sample.shape[1])
        return whole - fraction.LATENCY_FRAMES, fraction.hold_back(fraction.taps_of(part), held, padded)


def _begins(stroke: Stroke) -> int:
    return math.floor(stroke.at_frame) - fraction.LATENCY_FRAMES
