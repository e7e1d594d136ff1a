"""Channels that say nothing, or nothing of their own: silence, and stereo that is mono."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from busproc.kernels.stereo import tally
from busproc.measure.decibels import power_db
from busproc.measure.faults.finding import Finding, sureness

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Audio = NDArray[np.float64]

SILENT_DBFS = -80.0
"""A channel whose peak lies under it is silent; dither of 16 bit peaks 4 dB lower. Ours."""
ALIKE_DB = -60.0
"""Two channels are one sound if what differs lies so far under it: dither, rounding, coding. Ours."""
_ALIKE_SURE_DB = -80.0
_LEAST_FRAMES = 1000


@dataclass(frozen=True, kw_only=True)
class Silence(Finding):
    """Channels without sound.

    Attributes
    ----------
    channels
        Numbers of the silent channels, from 0.
    is_whole
        Whether all of them are.
    peaks_dbfs
        Peak of each channel; None for digital silence.
    """

    channels: tuple[int, ...]
    is_whole: bool
    peaks_dbfs: tuple[float | None, ...]


class Silences:
    """Search a stream of one or two channels for silent ones."""

    def __init__(self, channels: int) -> None:
        self._peaks = np.zeros(channels)

    def feed(self, block: Audio) -> None:
        """Take the next block, float64 of shape (frames, channels)."""
        for channel, wave in enumerate(block.T):
            self._peaks[channel] = max(self._peaks[channel], np.abs(wave).max(initial=0.0))

    def finding(self) -> Silence:
        """Say which channels are silent. Nothing fed is silence."""
        levels = tuple(power_db(float(peak) ** 2) for peak in self._peaks)
        silent = tuple(n for n, level in enumerate(levels) if level is None or level < SILENT_DBFS)
        return Silence(
            found=bool(silent),
            confidence=1.0 if silent else 0.0,
            channels=silent,
            is_whole=len(silent) == len(levels),
            peaks_dbfs=levels,
        )


@dataclass(frozen=True, kw_only=True)
class OneSound(Finding):
    """Stereo that holds one sound only.

    Attributes
    ----------
    difference_db
        What is left of a channel after the other one, at the gain that leaves least; None for no difference
        at all, and where a channel is silent.
    right_to_left_db
        Gain of the right channel against the left one; None where a channel is silent.
    is_identical
        Whether both are the same to the last bit.
    """

    difference_db: float | None
    right_to_left_db: float | None
    is_identical: bool


class OneSounds:
    """Search a stereo stream for one sound on both channels: alike, or one a scaled copy of the other.

    Of opposite polarity they are no mono (see `sides.Inverted`).
    """

    def __init__(self) -> None:
        self._sums = np.zeros(4)
        self._is_identical = True
        self._frames = 0

    def feed(self, block: Audio) -> None:
        """Take the next block, C-contiguous float64 of shape (frames, 2)."""
        tally(block.reshape(-1), self._sums)
        self._frames += len(block)
        self._is_identical = self._is_identical and np.array_equal(block[:, 0], block[:, 1])

    def finding(self) -> OneSound:
        """Say whether both channels are one sound; a few milliseconds do not tell."""
        left, right, product = (float(value) for value in self._sums[:3])
        if not left * right or self._frames < _LEAST_FRAMES:
            return OneSound(
                found=False, confidence=0.0, difference_db=None, right_to_left_db=None, is_identical=False
            )
        alike = product * abs(product) / (left * right)
        difference_db = None if self._is_identical else power_db(max(1 - alike, 1e-15))
        sure = sureness(-200.0 if difference_db is None else difference_db, ALIKE_DB, _ALIKE_SURE_DB)
        return OneSound(
            found=sure >= 0.5,
            confidence=sure,
            difference_db=difference_db,
            right_to_left_db=10 * math.log10(right / left),
            is_identical=self._is_identical,
        )
