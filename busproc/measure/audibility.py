"""Whether the difference between two sounds could be heard: against what hides it and what is too quiet.

Everything here errs towards "heard". No listening stands behind the bounds, only published figures.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from scipy import fft

from busproc.measure.excitation import erb_hz, freq_at, roex

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    Audio = NDArray[np.float64]

LEVEL_HEARD_DB = 0.4
"""A change of level from which on it may be heard: the least that is published, for noise in a broad band
(Miller 1947, JASA 19; from memory). Tones and single bands need about 1 dB (Zwicker and Fastl; Moore; from
memory)."""
MARGIN_DB = 15.0
"""What is added stays so far under the threshold of the ear, masked or in quiet, before it counts as not
heard. With the 3 to 6 dB of the threshold itself it lies 18 to 21 dB under what hides it, where a tone hides
noise (20 dB and more; Hellman 1972, cited second-hand), and the best ears hear 10 dB more than the median.
Ours."""
FULL_SCALE_DB_SPL = 100.0
"""How loud a sine of full scale is taken to be played. Ours: loud, so that little is too quiet to hear."""
HIGHEST_QUIET_DB_SPL = 40.0
"""What the threshold in quiet does not pass above 1 kHz: Terhardt's curve rises to 66 dB at 16 kHz, where
ISO 389-7 has 40 (from memory)."""
OTHER_HIDES_DB = 15.0
"""Mid and side hide each other so much less than themselves: the most by which two ears bring out what one
would not hear (binaural masking level difference, Moore; from memory)."""

BANDS = tuple(range(1, 41))
"""One ERB apart, 26 Hz to 17.6 kHz."""
WINDOWS_S = (0.08, 0.02)
"""The long one is finer in frequency, the short one in time; whatever either hears is heard."""
LEAST_WIDTH = 2.0
"""A window serves the bands that are so many times as wide as one over its length; in narrower ones, which
answer more slowly than it, it would follow what the ear does not."""
LEVEL_OVER_S = 0.5
"""Levels are compared over such spans."""

_LEAST_POWER = 1e-30


class Spot(NamedTuple):
    """How much, when (seconds from the start) and at which frequency."""

    db: float
    at_s: float
    freq_hz: float


@dataclass(frozen=True)
class Difference:
    """How far two sounds lie apart for the ear.

    Attributes
    ----------
    noise
        Where the difference stands highest over the threshold, masked or in quiet, without the margin (the
        noise-to-mask ratio in dB); None where no magnitude differs.
    level
        The largest change of level in a band over half a second, from the first sound to the second.
    """

    noise: Spot | None
    level: Spot

    @property
    def weight(self) -> float:
        """Share of what could just be heard; from 1 on it counts as heard."""
        added = 10 ** ((self.noise.db + MARGIN_DB) / 20) if self.noise else 0.0
        return max(added, abs(self.level.db) / LEVEL_HEARD_DB)

    @property
    def is_heard(self) -> bool:
        """Whether it could be heard."""
        return self.weight >= 1

    def later(self, by_s: float) -> Difference:
        """The same of sounds that begin so many seconds into a longer one."""
        noise = self.noise and self.noise._replace(at_s=self.noise.at_s + by_s)
        return Difference(noise, self.level._replace(at_s=self.level.at_s + by_s))


def difference(before: Audio, after: Audio, rate_hz: int) -> Difference:
    """Compare two sounds that are in step, at the levels they have.

    Left, right, mid and side are compared, each by the magnitudes of its short-time spectra. So phase that
    moves only within a window counts for nothing, nor does a sound turned upside down as a whole; one side
    turned against the other shows in mid and side, and what comes too late for a window in the next one.
    The ear's filters are the symmetric ones of `busproc.measure.excitation`; what hides a difference is the
    weaker of the two sounds in the same window, what sounded before it left out.

    Source: ITU-R BS.1387 (from memory), which takes the difference of magnitudes as noise and puts the masked
    threshold 3 dB under the excitation up to 12 Bark, a quarter of a dB a Bark from there on. Threshold in
    quiet: Terhardt 1979 (Hearing Research 1).

    Parameters
    ----------
    before, after
        `(frames, 2)`, of one length.
    rate_hz
        Frames a second.
    """
    views = [_Windows(before, after, rate_hz, least_s) for least_s in WINDOWS_S]
    noises = [spot for view in views if (spot := view.noise()) is not None]
    return Difference(max(noises, default=None, key=lambda spot: spot.db), views[0].level())


def worst(differences: Iterable[Difference]) -> Difference:
    """Put together what was heard in several places: the worst of each."""
    every = list(differences)
    noises = [each.noise for each in every if each.noise]
    return Difference(
        max(noises, default=None, key=lambda spot: spot.db),
        max((each.level for each in every), key=lambda spot: abs(spot.db)),
    )


def quiet_db_spl(freq_hz: float) -> float:
    """Return the level of a tone that is just heard in silence (Terhardt 1979), not over 40 dB at the top."""
    khz = freq_hz / 1000
    level = 3.64 * math.pow(khz, -0.8) - 6.5 * math.exp(-0.6 * (khz - 3.3) ** 2) + 1e-3 * khz**4
    return min(level, HIGHEST_QUIET_DB_SPL) if khz > 1 else level


class _Windows:
    """Two sounds in windows of one length: power in the ear's filters `(4, windows, bands)`."""

    def __init__(self, before: Audio, after: Audio, rate_hz: int, least_s: float) -> None:
        self._rate_hz = rate_hz
        self._size = 1 << math.ceil(math.log2(least_s * rate_hz))
        narrowest_hz = LEAST_WIDTH * rate_hz / self._size
        bands_hz = (hz for hz in map(freq_at, BANDS) if erb_hz(hz) >= narrowest_hz)
        self._freqs_hz = [hz for hz in bands_hz if hz < rate_hz / 2]
        filters = self._filters()
        was, now = (self._magnitudes(sound) for sound in (before, after))
        self._was, self._now, self._noise = (each**2 @ filters for each in (was, now, now - was))

    def noise(self) -> Spot | None:
        """Where the difference stands highest over the threshold."""
        if not self._noise.any():
            return None
        barks = 7 * np.arcsinh(np.array(self._freqs_hz) / 650)
        hides = 10 ** (-np.where(barks > 12, 0.25 * barks, 3.0) / 10)
        weaker = np.minimum(self._was, self._now)
        over = self._noise / ((weaker + _other_side(weaker)) * hides + self._quiet())
        _, window, band = np.unravel_index(over.argmax(), over.shape)
        level_db = 10 * math.log10(max(float(over.max()), _LEAST_POWER))
        return Spot(level_db, self._time_s(window), self._freqs_hz[band])

    def level(self) -> Spot:
        """The largest change of level; what is too quiet or hidden by the other side hardly counts."""
        count = max(1, round(LEVEL_OVER_S * self._rate_hz / (self._size // 2)))
        starts = np.arange(0, self._was.shape[1], count)
        was, now = (np.add.reduceat(each, starts, axis=1) for each in (self._was, self._now))
        spans = np.diff(starts, append=self._was.shape[1])[:, None]
        floor = _other_side(np.minimum(was, now)) + self._quiet() * spans
        change_db = 10 * np.log10((now + floor) / (was + floor))
        _, span, band = np.unravel_index(np.abs(change_db).argmax(), change_db.shape)
        most = max(change_db.max(), change_db.min(), key=abs)
        return Spot(float(most), self._time_s(int(span) * count), self._freqs_hz[band])

    def _magnitudes(self, sound: Audio) -> Audio:
        """Of left, right, mid and side, with silence before and after so that the ends count."""
        left, right = np.pad(sound, ((self._size, self._size), (0, 0))).T
        channels = np.stack([left, right, (left + right) / 2, (left - right) / 2])
        pieces = np.lib.stride_tricks.sliding_window_view(channels, self._size, axis=1)
        hann = 0.5 - 0.5 * np.cos(2 * math.pi * (np.arange(self._size) + 0.5) / self._size)
        magnitudes: Audio = np.abs(fft.rfft(pieces[:, :: self._size // 2] * hann))
        return magnitudes

    def _filters(self) -> Audio:
        """Weights `(bins, bands)`; a channel counts as a sound that is on both sides."""
        weights = np.zeros((self._size // 2 + 1, len(self._freqs_hz)))
        for band, freq_hz in enumerate(self._freqs_hz):
            first, inside = roex(freq_hz, self._rate_hz, self._size)
            weights[first : first + len(inside), band] = 2 * inside
        return weights

    def _quiet(self) -> Audio:
        """Power in each band that is just heard in silence; a sine of full scale has half."""
        levels = np.array([quiet_db_spl(hz) for hz in self._freqs_hz])
        return 0.5 * 10 ** ((levels - FULL_SCALE_DB_SPL) / 10)

    def _time_s(self, window: int | np.intp) -> float:
        """The middle of a window, from the start of the sound, which lies a window in."""
        return max(0.0, (int(window) * (self._size // 2) - self._size / 2) / self._rate_hz)


def _other_side(power: Audio) -> Audio:
    """What of the side is heard with the mid and hides it, and the other way; left and right stand alone."""
    other = np.zeros_like(power)
    other[2], other[3] = power[3], power[2]
    return other * 10 ** (-OTHER_HIDES_DB / 10)
