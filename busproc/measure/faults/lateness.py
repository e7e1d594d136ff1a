"""A stem that starts late by a buffer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from busproc.measure.decibels import power_db
from busproc.measure.faults.finding import Finding

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    Audio = NDArray[np.float64]

BUFFERS = tuple(2**n for n in range(5, 14))
"""32 to 8192 frames."""
AT_ONCE_FRAMES = 8
"""A stem that sounds within so many frames was running when the file began."""
LEAST_AT_ONCE = 2
RUNNING_DB = 10.0
"""A sound that was running is as loud in its first 5 ms as in the 50 ms after them, within so much. Ours."""


@dataclass(frozen=True, kw_only=True)
class Late(Finding):
    """A start on the edge of a buffer.

    Attributes
    ----------
    silent_frames
        Frames of digital silence at the start; None if there is nothing else.
    others_at_once
        How many other stems sound from the start.
    rise_db
        How far the 50 ms after the first 5 ms of sound lie over these.
    """

    silent_frames: int | None
    others_at_once: int
    rise_db: float | None


class Start:
    """The first sound of a stem: where digital silence ends, and whether it was running by then."""

    def __init__(self, rate_hz: int, channels: int = 2) -> None:
        self.silent_frames: int | None = None
        self._seen = 0
        self._first, self._next = round(0.005 * rate_hz), round(0.05 * rate_hz)
        self._sound = np.zeros((0, channels))

    def feed(self, block: Audio) -> None:
        """Take the next block, float64 of shape (frames, channels)."""
        if self.silent_frames is None:
            sounding = np.flatnonzero(block.any(axis=1))
            if len(sounding):
                self.silent_frames = self._seen + int(sounding[0])
                block = block[sounding[0] :]
        if self.silent_frames is not None:
            room = self._first + self._next - len(self._sound)
            self._sound = np.concatenate([self._sound, block[: max(room, 0)]])
        self._seen += len(block)

    @property
    def rise_db(self) -> float | None:
        """Mean power of 50 ms from 5 ms on against that of these first 5 ms; None if shorter, or silent."""
        if len(self._sound) < self._first + self._next:
            return None
        power = (self._sound**2).mean(axis=1)
        first, later = float(power[: self._first].mean()), float(power[self._first :].mean())
        return power_db(later / first) if first > 0 else None


def late(starts: Mapping[str, Start]) -> dict[str, Late]:
    """Say which stems start late by a buffer: on one's edge exactly, in the midst of sound.

    It takes two other stems, and half of all others, that sound from the first frame on; noise of a
    microphone is sound. A stem whose music begins later starts anywhere, and rises.
    Coders with losses round their first blocks to silence, so one other stem is no evidence.
    """
    at_once = {name for name, start in starts.items() if _is_at_once(start)}
    return {name: _late(start, len(at_once - {name}), len(starts) - 1) for name, start in starts.items()}


def _is_at_once(start: Start) -> bool:
    return start.silent_frames is not None and start.silent_frames <= AT_ONCE_FRAMES


def _late(start: Start, at_once: int, others: int) -> Late:
    frames, rise_db = start.silent_frames, start.rise_db
    is_running = rise_db is not None and abs(rise_db) <= RUNNING_DB
    found = frames in BUFFERS and at_once >= max(LEAST_AT_ONCE, others / 2) and is_running
    return Late(
        found=found,
        confidence=0.5 + 0.4 * at_once / others if found else 0.0,
        silent_frames=frames,
        others_at_once=at_once,
        rise_db=rise_db,
    )
