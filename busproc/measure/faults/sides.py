"""Left against right by third octave: an inverted channel, and a low end out of phase."""

from __future__ import annotations

import math
from array import array
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import fft

from busproc.measure.faults.finding import Finding, passages, sureness
from busproc.measure.grid import Pieces
from busproc.measure.spectrum import midband_hz

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from busproc.measure.passages import Passage

    Audio = NDArray[np.float64]

_LEAST_WINDOW_S = 0.16
_BANDS = range(-16, 13)  # 25 Hz to 16 kHz
LOW_BANDS = 8
"""25 to 125 Hz: the low end."""
HEARD_DB = 30.0
"""Bands further under the loudest one do not count. Ours."""
INVERTED_CORRELATION = -0.45
"""Mean over the bands at which a channel is taken to be inverted. Ours; see the tests with real music."""
_SURE_CORRELATION = -0.8
_LOW_HEARD_DB = 20.0
LOW_LOSS_DB = 6.0
"""What a band of the low end may lose in mono; 3 dB is what sides without anything in common lose. Ours."""
_LOW_SURE_DB = 12.0
LOW_LOUD_DB = 6.0
"""A band must lie so near the loudest one of the low end to be a fault, and not just told."""
_MOST_LOSS_DB = 60.0
_WIDTH = midband_hz(0.5) / 1000 - midband_hz(-0.5) / 1000
"""Of a third octave, against its middle."""


@dataclass(frozen=True, kw_only=True)
class Inverted(Finding):
    """A channel of opposite polarity.

    Attributes
    ----------
    correlation
        Of left and right, mean over the third octaves that are heard, -1 to 1; None for silence.
    share_of_time
        Share of the time with sound on both sides in which that mean lies under 0.
    """

    correlation: float | None
    share_of_time: float


@dataclass(frozen=True, kw_only=True)
class LowEnd(Finding):
    """Low end that is lost in mono.

    Attributes
    ----------
    freqs_hz
        Middles of the third octaves up to 125 Hz.
    mono_loss_db
        What each loses when folded to mono: 0 dB for sides alike, 3 for sides without anything in common, 60
        at most; None where it is not heard, 20 dB and more under the loudest of them.
    """

    freqs_hz: tuple[float, ...]
    mono_loss_db: tuple[float | None, ...]


class Sides:
    """How the sides of a stereo stream belong together, in windows of 0.16 s or a little more.

    The windows overlap by half and lie on the stream's own grid. Kept are two numbers for each.
    """

    def __init__(self, rate_hz: int) -> None:
        size = 1
        while size < _LEAST_WINDOW_S * rate_hz:
            size *= 2
        self._hop_s = size / 2 / rate_hz
        self._window = (0.5 - 0.5 * np.cos(2 * math.pi * (np.arange(size) + 0.5) / size))[:, None]
        bands = [band for band in _BANDS if midband_hz(band + 0.5) < rate_hz / 2]
        edges_hz = [midband_hz(band - 0.5) for band in [*bands, bands[-1] + 1]]
        self._edges = np.ceil(np.array(edges_hz) * size / rate_hz).astype(np.int64)
        self._freqs_hz = tuple(midband_hz(band) for band in bands)
        self._pieces = Pieces(size, shared=size // 2)
        self._sums = np.zeros((3, len(bands)))
        self._kept = array("f")

    def feed(self, block: Audio) -> None:
        """Take the next block, float64 of shape (frames, 2)."""
        for piece in self._pieces.of(block):
            left, right = fft.rfft(np.ascontiguousarray((piece * self._window).T))[:, : self._edges[-1]]
            bins = np.stack([_product(left, left), _product(right, right), _product(left, right)])
            powers = np.add.reduceat(bins, self._edges[:-1], axis=1)
            self._sums += powers
            self._kept.extend((_mean_correlation(powers), _correlation(powers[:, :LOW_BANDS].sum(axis=1))))

    def inverted(self) -> Inverted:
        """Say whether one channel is inverted."""
        correlation = _mean_correlation(self._sums)
        against = self._windows()[:, 0]
        known = against[~np.isnan(against)]
        share = float((known < 0).mean()) if len(known) else 0.0
        sure = (
            0.0
            if math.isnan(correlation)
            else sureness(-correlation, -INVERTED_CORRELATION, -_SURE_CORRELATION)
        )
        found = sure >= 0.5
        return Inverted(
            found=found,
            confidence=sure,
            where=self._where(against < 0) if found else (),
            correlation=None if math.isnan(correlation) else correlation,
            share_of_time=share,
        )

    def low_end(self) -> LowEnd:
        """Say whether the low end is out of phase."""
        both = 0.5 * (self._sums[0] + self._sums[1])
        low = both[:LOW_BANDS]
        heard = (low > _share(_LOW_HEARD_DB) * low.max()) & (low.sum() > _share(HEARD_DB) * both.sum())
        alike = np.divide(self._sums[2, :LOW_BANDS], low, out=np.zeros_like(low), where=heard)
        loud = low > _share(LOW_LOUD_DB) * low.max()
        least_loss_db = _loss_db(alike + self._chance())[heard & loud]
        sure = sureness(float(least_loss_db.max(initial=0.0)), LOW_LOSS_DB, _LOW_SURE_DB)
        found = sure >= 0.5
        return LowEnd(
            found=found,
            confidence=sure,
            where=self._where(self._windows()[:, 1] < 0) if found else (),
            freqs_hz=self._freqs_hz[:LOW_BANDS],
            mono_loss_db=tuple(
                float(loss) if on else None for loss, on in zip(_loss_db(alike), heard, strict=True)
            ),
        )

    def _chance(self) -> Audio:
        """By how much the correlation of each low band may be off, as there is little to tell it from.

        A sound of bandwidth B and length T has 2 B T independent samples.
        """
        band_hz = np.array(self._freqs_hz[:LOW_BANDS]) * _WIDTH
        length_s = len(self._windows()) * self._hop_s
        chance: Audio = 2 / np.sqrt(np.maximum(2 * band_hz * length_s, 1.0))
        return chance

    def _windows(self) -> NDArray[np.float32]:
        return np.array(self._kept, dtype=np.float32).reshape(-1, 2)

    def _where(self, windows: NDArray[np.bool_]) -> tuple[Passage, ...]:
        return passages(np.flatnonzero(windows) * self._hop_s, 2 * self._hop_s)


def _loss_db(correlation: Audio) -> Audio:
    """What is lost when two sides of equal power and this correlation are folded to mono."""
    kept = np.clip(0.5 * (1 + correlation), 10 ** (-_MOST_LOSS_DB / 10), 1.0)
    loss_db: Audio = -10 * np.log10(kept) + 0.0
    return loss_db


def _product(one: NDArray[np.complex128], other: NDArray[np.complex128]) -> Audio:
    product: Audio = one.real * other.real + one.imag * other.imag
    return product


def _correlation(powers: Audio) -> float:
    """Of one band, given as left, right and their product; NaN where a side is silent."""
    scale = math.sqrt(float(powers[0])) * math.sqrt(float(powers[1]))
    return float(powers[2]) / scale if scale > 0 else math.nan


def _mean_correlation(powers: Audio) -> float:
    """Mean over the bands that are heard, of (3, bands); NaN where a side is silent."""
    both = powers[0] + powers[1]
    heard = powers[:, both > _share(HEARD_DB) * both.max(initial=0.0)]
    scale = np.sqrt(heard[0]) * np.sqrt(heard[1])
    return float(np.mean(heard[2] / scale)) if len(scale) and scale.all() else math.nan


def _share(down_db: float) -> float:
    return math.pow(10, -down_db / 10)
