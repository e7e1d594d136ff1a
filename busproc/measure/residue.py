"""What a processed sound has that its original does not explain: by any linear filter, or by a gain alone."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from scipy import fft

from busproc.kernels.stereo import tally
from busproc.measure.decibels import power_db
from busproc.measure.grid import Pieces
from busproc.measure.spectrum import midband_hz

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Audio = NDArray[np.float64]

_LEAST_WINDOW_S = 2 / 3
_BANDS = range(-17, 14)  # 20 Hz to 20 kHz

_INPUTS = 6
"""Two channels, each under the window and its first two slopes."""
_RIDGE = 1e-10
"""Share of each input that is taken to be noise of its own: two channels alike would have no solution."""
_MOST_FITTED = 0.5
"""Share of what is known that may go into the fit."""


class Residue:
    """Power of a processed stereo sound that no linear time-invariant filter of its original explains.

    Both sounds are cut into Hann windows of 2/3 s or a little more, half overlapping. In each frequency bin
    each channel of the processed sound is fitted to both channels of the original by least squares over all
    windows (Welch's cross-spectra; the residue is 1 less the multiple coherence, times the power). A window
    cuts off a filter's ringing, which alone would leave -35 dB of a bell at 60 Hz with a Q of 4; so each
    channel is fitted also under the first two slopes of the window, which carry the filter's own slopes over
    frequency (a Taylor series of its response). What a fit explains by chance is made up for.

    What counts as residue: harmonics, noise, and a gain that moves. The two must be aligned to the sample;
    what does not fill the last window is left out.

    Measured on 15 s of noise that moves in level: noise added at -20 to -80 dB reads within 0.3 dB. The floor
    is -99 dB, also for a bell at 1 kHz or a shelf at 100 Hz; long ringing lifts it: a high-pass at 30 Hz of
    order 2, 4, 8 leaves -83, -71, -57 dB; a bell of +6 dB at 60 Hz -60 dB with a Q of 4, -46 dB with 10.

    Source: Bendat and Piersol, 'Random Data', for the multiple coherence (from memory); the fit under the
    slopes follows the local polynomial method of Pintelon and Schoukens (from memory).
    """

    def __init__(self, rate_hz: int) -> None:
        size = 1
        while size < _LEAST_WINDOW_S * rate_hz:
            size *= 2
        turn = 2 * math.pi * (np.arange(size) + 0.5) / size
        hann = 0.5 - 0.5 * np.cos(turn)
        self._windows = np.stack([hann, np.sin(turn), np.cos(turn)])
        self._pieces = Pieces(size, columns=4, shared=size // 2)
        self._count = 0
        self._products = np.zeros((_INPUTS + 2, _INPUTS + 2, size // 2 + 1), dtype=np.complex128)
        self._bands = [band for band in _BANDS if midband_hz(band) < rate_hz / 2]
        self._bin_hz = rate_hz / size
        self.midbands_hz = tuple(midband_hz(band) for band in self._bands)

    def feed(self, original: Audio, processed: Audio) -> None:
        """Take the next block of both, float64 of the same shape (frames, 2)."""
        for piece in self._pieces.of(np.concatenate([original, processed], axis=1)):
            inputs = piece.T[:2, None] * self._windows
            outputs = piece.T[2:] * self._windows[0]
            lines = fft.rfft(np.concatenate([inputs.reshape(_INPUTS, -1), outputs]))
            for i, line in enumerate(lines):
                self._products[i, i:] += line.conj() * lines[i:]
            self._count += 1

    def residue_db(self) -> float | None:
        """Return the residue against the processed sound, all bins together.

        None for silence, for a residue under -300 dB, and where too little was fed: 5 s or so are needed.
        """
        residue, power = self._residue_and_power()
        return _against(residue.sum(), power.sum())

    def by_band_db(self) -> tuple[float | None, ...]:
        """Return the same for each third octave from 20 Hz up, against the processed sound in that band."""
        residue, power = (self._in_bands(lines) for lines in self._residue_and_power())
        return tuple(_against(*pair) for pair in zip(residue, power, strict=True))

    def _residue_and_power(self) -> tuple[Audio, Audio]:
        """Residue and power of the processed sound in each bin, both channels together."""
        among = np.moveaxis(self._products, 2, 0)
        among = np.triu(among) + np.conj(np.swapaxes(np.triu(among, 1), 1, 2))
        powers = np.einsum("kii->ki", among).real
        scale = 1 / np.sqrt(np.where(powers > 0, powers, 1.0))
        among = among * scale[:, :, None] * scale[:, None, :]
        inputs, across = among[:, :_INPUTS, :_INPUTS], among[:, :_INPUTS, _INPUTS:]
        fit = np.linalg.solve(inputs + _RIDGE * np.eye(_INPUTS), among[:, :_INPUTS])
        different = np.einsum("kii->k", fit[:, :, :_INPUTS]).real
        explained = np.einsum("kij,kij->kj", across.conj(), fit[:, :, _INPUTS:]).real
        left = np.maximum(1 - explained, 0.0) / self._share_left(different)[:, None]
        power = powers[:, _INPUTS:]
        return (left * power).sum(axis=1), power.sum(axis=1)

    def _share_left(self, different: Audio) -> Audio:
        """Share of noise that a fit to so many inputs that differ leaves by chance; NaN where too little."""
        window = self._windows[0]
        half = len(window) // 2
        alike = float((window[half:] * window[:half]).sum() / (window**2).sum()) ** 2
        independent = self._count / (1 + 2 * alike * (1 - 1 / max(self._count, 1)))
        if independent * _MOST_FITTED < _INPUTS:
            return np.full(different.shape, math.nan)
        return 1 - different / independent

    def _in_bands(self, lines: Audio) -> list[float]:
        """Sum of the bins of each band; a bin reaches half its width to both sides."""
        edges = [midband_hz(band + side) / self._bin_hz + 0.5 for band in self._bands for side in (-0.5, 0.5)]
        sums = np.concatenate([[0.0], np.cumsum(lines)])
        below = np.interp(edges, np.arange(len(sums)), sums)
        return [float(value) for value in below[1::2] - below[::2]]


class NullDepth:
    """What is left of a processed sound less its reference after the one gain that leaves least.

    Its power against that of the reference: -20 dB where a tenth of the amplitude differs. The sums run frame
    by frame, so the result is the same to the last bit whatever the sizes of the blocks.
    """

    def __init__(self) -> None:
        self._sums = np.zeros(4)

    def feed(self, processed: Audio, reference: Audio) -> None:
        """Take the next block of both, float64 of the same shape (frames, 2), aligned to the sample."""
        pairs = np.stack([reference, processed - reference], axis=-1)
        tally(pairs.reshape(-1), self._sums)

    @property
    def null_depth_db(self) -> float | None:
        """The depth; None where nothing is left (under -300 dB), or one of the two is silent.

        It is exact for sounds of equal level, being taken from their difference, and else down to -100 dB.
        """
        reference, difference, product = (float(value) for value in self._sums[:3])
        processed = reference + 2 * product + difference
        left = max(reference * difference - product * product, 0.0)
        return _against(left, reference * processed)


def _against(residue: float, power: float) -> float | None:
    known = power > 0 and not math.isnan(residue)
    return power_db(residue / power) if known else None
