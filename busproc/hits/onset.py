"""When a hit begins, to the frame."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from busproc.hits.foreseen import ORDER
from busproc.hits.placing import onset_frame
from busproc.kernels.foresee import foreseeing, surprises

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Audio = NDArray[np.float64]

LEARN_MS, BEFORE_MS, AFTER_MS = 25.0, 12.0, 5.0
PEAK_MS = 20.0
"""Ours, like all numbers here."""
_LEAST_FRAMES = 8


def onset_near(sound: Audio, near_frame: int, rate_hz: int) -> int:
    """The onset from 12 ms before a rise to 5 ms after it.

    Where the sound stops being what could be foreseen: the split of the piece into two, each of one power,
    that makes it most likely; from there on, where it first comes within 30 dB of the peak of its first
    20 ms, as a sample's onset is found. Source: the picker for arrivals of earthquake waves by Akaike's
    criterion after prediction (R. Sleeman and T. van Eck, Physics of the Earth and Planetary Interiors 113,
    1999, from memory).

    Parameters
    ----------
    sound
        `(frames, channels)`, with 40 ms and more to either side of the rise.
    near_frame
        The rise.
    rate_hz
        Its rate.
    """
    begin = near_frame - _frames(BEFORE_MS, rate_hz)
    end = near_frame + _frames(AFTER_MS, rate_hz)
    taps = foreseeing(sound[begin - _frames(LEARN_MS, rate_hz) : begin], ORDER)
    power = np.square(surprises(sound[begin - ORDER : end], taps)).sum(axis=1)
    onset = begin + _most_likely_split(power)
    return onset + onset_frame(sound[onset : onset + _frames(PEAK_MS, rate_hz)])


def _most_likely_split(power: Audio) -> int:
    frames, so_far = len(power), np.cumsum(power)
    at = np.arange(_LEAST_FRAMES, frames - _LEAST_FRAMES)
    least = 1e-12 * so_far[-1] / frames + 1e-30
    before = so_far[at - 1] / at + least
    after = (so_far[-1] - so_far[at - 1]) / (frames - at) + least
    return int(at[np.argmin(at * np.log(before) + (frames - at) * np.log(after))])


def _frames(ms: float, rate_hz: int) -> int:
    return round(ms * rate_hz / 1000)
