"""Long-term spectra as fine as is needed to fit curves to them, and what one sound is of another."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from busproc.measure.grid import Pieces
from busproc.stages.base import Audio

LEAST_WINDOW_S = 1.2
LOWEST_HZ, HIGHEST_HZ = 25.0, 16000.0
"""Midbands of the third octaves between which curves are fitted."""
HIGHEST_SHARE = 0.4
"""Of the rate: what lies above has no say."""
PER_BAND, PER_PART = 8, 3
"""Points in a third octave, and in a twelfth."""
BATCHES = 12
HEARD_DB = 60.0
"""What lies further under the loudest third octave has no say. Ours, not a standard's."""
_DB = 10 / math.log(10)


def edges_hz(rate_hz: int, per_third: int = 1) -> Audio:
    """Edges of the bands in which curves are fitted: third octaves (IEC 61260-1) or parts of them."""
    first, last = round(10 * math.log10(LOWEST_HZ / 1000)), round(10 * math.log10(HIGHEST_HZ / 1000))
    steps = np.arange(per_third * (last - first + 1) + 1) / per_third + first - 0.5
    edges: Audio = 1000 * 10 ** (steps / 10)
    return edges[edges <= HIGHEST_SHARE * rate_hz]


@dataclass(frozen=True)
class Points:
    """A spectrum by bands, each cut into a few points: frequency, and share of the band's power."""

    freqs_hz: Audio
    shares: Audio

    def in_bands_db(self, power: Audio) -> Audio:
        """What a gain (of power, at each point) does to the level of each band."""
        changed: Audio = 10 * np.log10((self.shares * power.reshape(self.shares.shape)).sum(axis=1))
        return changed


class _Windows:
    """Hann windows, half over each other, on the stream's own grid; a last incomplete one is left out."""

    def __init__(self, rate_hz: int, columns: int) -> None:
        size = 1 << math.ceil(math.log2(LEAST_WINDOW_S * rate_hz))
        self._window = 0.5 - 0.5 * np.cos(2 * math.pi * (np.arange(size) + 0.5) / size)
        self._pieces = Pieces(size, columns=columns, shared=size // 2)
        self.bin_hz = rate_hz / size
        self.bins = size // 2 + 1

    def of(self, block: Audio) -> list[NDArray[np.complex128]]:
        """Lines `(columns, bins)` of each window that a block completes."""
        return [fft.rfft(piece.T * self._window) for piece in self._pieces.of(block)]


class LongTerm:
    """The long-term spectrum of a stereo stream, how sure it is, and side against mid.

    How sure a level is follows from how it changes: the stream is cut into 12 batches, and the standard
    error is that of their mean. It is small for steady noise and large for music, which is as it should be.
    """

    def __init__(self, rate_hz: int) -> None:
        self._windows = _Windows(rate_hz, 2)
        self._edges = edges_hz(rate_hz)
        self._power = np.zeros(self._windows.bins)
        self._energies: list[Audio] = []

    def feed(self, block: Audio) -> None:
        """Take the next block, float64 of shape (frames, 2)."""
        for left, right in self._windows.of(block):
            both, mid = _squared(left) + _squared(right), _squared(left + right) / 2
            self._power += both
            spectra = both, mid, np.maximum(both - mid, 0.0)
            self._energies.append(np.stack([self._in_bands(each, self._edges) for each in spectra]))

    def levels_db(self) -> Audio:
        """Level of each third octave from 25 Hz to 16 kHz; minus infinity for silence."""
        levels: Audio = self._levels_db()[0]
        return levels

    def side_to_mid_db(self) -> Audio:
        """Side against mid in each third octave; NaN where there is one only."""
        _, mid, side = self._levels_db()
        with np.errstate(invalid="ignore"):
            ratio = side - mid
        return np.where(np.abs(ratio) < HEARD_DB, ratio, np.nan)

    def is_heard(self) -> NDArray[np.bool_]:
        """Whether each third octave lies within 60 dB of the loudest."""
        levels = self.levels_db()
        heard: NDArray[np.bool_] = levels > levels.max() - HEARD_DB
        return heard

    def is_over(self, freq_hz: float) -> NDArray[np.bool_]:
        """Whether each third octave lies above a frequency."""
        over: NDArray[np.bool_] = self._edges[:-1] > freq_hz
        return over

    def errors_db(self) -> Audio:
        """Standard error of each level."""
        return self._errors_db(np.stack(self._energies)[:, 0])

    def side_errors_db(self) -> Audio:
        """Standard error of side against mid, as if both were by chance."""
        return np.hypot(*(self._errors_db(np.stack(self._energies)[:, row]) for row in (1, 2)))

    def points(self) -> Points:
        """The spectrum itself, for curves to be weighed by."""
        return _points(self._power, self._windows.bin_hz, self._edges, PER_BAND)

    def _levels_db(self) -> Audio:
        with np.errstate(divide="ignore"):
            levels: Audio = 10 * np.log10(np.mean(self._energies, axis=0))
        return levels

    def _errors_db(self, energies: Audio) -> Audio:
        batches = [part.mean(axis=0) for part in np.array_split(energies, min(BATCHES, len(energies)))]
        mean = np.mean(batches, axis=0)
        spread = np.std(batches, axis=0, ddof=1) / math.sqrt(len(batches))
        errors: Audio = _DB * np.divide(spread, mean, out=np.zeros_like(mean), where=mean > 0)
        return errors

    def _in_bands(self, power: Audio, edges: Audio) -> Audio:
        return np.diff(_below(power, self._windows.bin_hz, edges))


class Transfer:
    """What a linear filter must do to one sound to become another of the same programme, aligned to a frame.

    The gain is that of the least squares estimate, both channels through one filter.

    Source: Bendat and Piersol, 'Random Data', for the estimate and its error (from memory).
    """

    PER_THIRD = 4

    def __init__(self, rate_hz: int) -> None:
        self._windows = _Windows(rate_hz, 4)
        self._edges = edges_hz(rate_hz, self.PER_THIRD)
        bins = self._windows.bins
        self._power, self._other = np.zeros((2, bins))
        self._across = np.zeros(bins, dtype=np.complex128)
        self.windows = 0

    def feed(self, sound: Audio, other: Audio) -> None:
        """Take the next block of both, float64 of the same shape (frames, 2)."""
        for lines in self._windows.of(np.concatenate([sound, other], axis=1)):
            own, theirs = lines[:2], lines[2:]
            self._power += _squared(own).sum(axis=0)
            self._other += _squared(theirs).sum(axis=0)
            self._across += (own.conj() * theirs).sum(axis=0)
            self.windows += 1

    def gains_db(self) -> Audio:
        """Gain in each twelfth octave; NaN where either is silent."""
        explained, power, _ = self._in_bands()
        with np.errstate(divide="ignore", invalid="ignore"):
            gains = 10 * np.log10(explained / power)
        return np.where(np.isfinite(gains), gains, np.nan)

    def explained(self) -> Audio:
        """Share of the other sound's power that the filter explains, in each twelfth octave."""
        explained, _, other = self._in_bands()
        return np.divide(explained, other, out=np.zeros_like(other), where=other > 0)

    def errors_db(self) -> Audio:
        """Standard error of each gain."""
        share = np.clip(self.explained(), 1e-9, 1.0)
        bins = np.maximum(np.diff(self._edges) / self._windows.bin_hz, 1.0)
        return _DB * np.sqrt((1 - share) / (share * self.windows * bins / 2))

    def points(self) -> Points:
        """The first sound's spectrum, for curves to be weighed by."""
        return _points(self._power, self._windows.bin_hz, self._edges, PER_PART)

    def _in_bands(self) -> tuple[Audio, Audio, Audio]:
        across = np.divide(
            _squared(self._across), self._power, out=np.zeros_like(self._power), where=self._power > 0
        )
        explained, power, other = (
            np.diff(_below(each, self._windows.bin_hz, self._edges))
            for each in (across, self._power, self._other)
        )
        return explained, power, other


def _points(power: Audio, bin_hz: float, edges: Audio, count: int) -> Points:
    logs = np.log(edges)
    steps = np.arange(count) / count
    cuts = np.exp(np.append((logs[:-1, None] + np.diff(logs)[:, None] * steps).ravel(), logs[-1]))
    energy = np.diff(_below(power, bin_hz, cuts))
    weighed = np.diff(_below(power * np.arange(len(power)) * bin_hz, bin_hz, cuts))
    middle = np.sqrt(cuts[:-1] * cuts[1:])
    freqs = np.divide(weighed, energy, out=middle, where=energy > 0)
    by_band = energy.reshape(-1, count)
    sums = by_band.sum(axis=1, keepdims=True)
    even = np.full_like(by_band, 1 / count)
    return Points(freqs, np.divide(by_band, sums, out=even, where=sums > 0))


def _below(power: Audio, bin_hz: float, cuts_hz: Audio) -> Audio:
    """Power below each cut; a bin reaches half its width to both sides."""
    sums = np.concatenate([[0.0], np.cumsum(power)])
    below: Audio = np.interp(cuts_hz / bin_hz + 0.5, np.arange(len(sums)), sums)
    return below


def _squared(lines: NDArray[np.complex128]) -> Audio:
    squared: Audio = lines.real**2 + lines.imag**2
    return squared
