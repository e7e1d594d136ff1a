"""Stems that are the same sound twice, whatever their gain, delay and polarity."""

from __future__ import annotations

import heapq
import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import fft, signal

from busproc.measure.decibels import power_db
from busproc.measure.faults.finding import Finding, passages, sureness
from busproc.measure.grid import Pieces

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    Audio = NDArray[np.float64]

EXCERPTS = 16
"""Seconds of a stem by which it is known."""
LEAST_COMMON = 4
_STEP_DB = 3.0
_RATE_HZ = 4000
LONGEST_DELAY_S = 0.1
LEAST_ALIKE = 0.95
"""Correlation of two sounds that are one: a tenth of the power may be noise. Ours."""
_SURE_ALIKE = 0.99
_FINER = 4
"""Lags between the frames of an excerpt, whose waves would else miss each other."""
_SIDES = np.array([0.65, 0.35])
"""Unequal, so that sides out of phase do not cancel."""
_SPREAD = 2654435761
"""Knuth's multiplicative hash (from memory): picks among equally loud seconds, the same in every stem."""


@dataclass(frozen=True, kw_only=True)
class Double(Finding):
    """Two stems that are one.

    Attributes
    ----------
    first, second
        Their names.
    correlation
        Of the two when aligned, up to 2 kHz, 0 to 1.
    gain_db, delay_ms
        Of the second against the first, the delay to a twentieth of a millisecond.
    is_inverted
        Whether the second has the opposite polarity.
    """

    first: str
    second: str
    correlation: float
    gain_db: float | None
    delay_ms: float
    is_inverted: bool


class Fingerprint:
    """What is kept of a stem to know it again: 16 seconds at 4 kHz or so, 0.25 MB.

    They are the loudest ones on a grid of a second, those within 3 dB of each other in an order of chance
    that is the same for all stems, so that two copies keep the same seconds.
    """

    def __init__(self, rate_hz: int, channels: int = 2) -> None:
        self._down = max(round(rate_hz / _RATE_HZ), 1)
        self.rate_hz = rate_hz / self._down
        self._pieces = Pieces(rate_hz, columns=channels)
        self._second = 0
        self._kept: list[tuple[int, int, int, NDArray[np.float32]]] = []

    def feed(self, block: Audio) -> None:
        """Take the next block, float64 of shape (frames, channels)."""
        for piece in self._pieces.of(block):
            level_db = power_db(float(np.einsum("ij,ij->", piece, piece)) / piece.size)
            if level_db is not None:
                self._keep(round(level_db / _STEP_DB), piece)
            self._second += 1

    def _keep(self, step: int, piece: Audio) -> None:
        chance = self._second * _SPREAD % 2**32
        if len(self._kept) == EXCERPTS and (step, chance) < self._kept[0][:2]:
            return
        wave = piece @ _SIDES if piece.shape[1] == 2 else piece[:, 0]
        low = np.diff(signal.resample_poly(wave, 1, self._down), prepend=0.0)
        entry = (step, chance, self._second, low.astype(np.float32))
        (heapq.heappush if len(self._kept) < EXCERPTS else heapq.heappushpop)(self._kept, entry)

    def excerpts(self) -> dict[int, NDArray[np.float32]]:
        """Return the excerpts by their second: up to 2 kHz, rising by 6 dB an octave."""
        return {second: wave for _, _, second, wave in sorted(self._kept, key=lambda each: each[2])}


def doubles(prints: Mapping[str, Fingerprint]) -> list[Double]:
    """Find the pairs of stems that are one sound, most alike first.

    A part played twice is not found: its waves differ. Nor are two microphones before one source, unless
    they are alike within 0.5 dB or so throughout.

    Parameters
    ----------
    prints
        A fingerprint for each stem, all at one rate and from the same start.
    """
    excerpts = {name: each.excerpts() for name, each in prints.items()}
    spectra = {name: {at: _spectrum(wave) for at, wave in kept.items()} for name, kept in excerpts.items()}
    rate_hz = next(iter(prints.values())).rate_hz if prints else 0.0
    compared = (
        _compare(pair, [spectra[name] for name in pair], rate_hz)
        for pair in itertools.combinations(prints, 2)
    )
    found = [double for double in compared if double is not None and double.found]
    return sorted(found, key=lambda double: -double.correlation)


def _spectrum(wave: NDArray[np.float32]) -> NDArray[np.complex64]:
    spectrum: NDArray[np.complex64] = fft.rfft(wave, fft.next_fast_len(2 * len(wave)))
    return spectrum


def _compare(
    names: tuple[str, str], spectra: list[dict[int, NDArray[np.complex64]]], rate_hz: float
) -> Double | None:
    """Hold two stems against each other in the seconds that both keep; None where these are too few."""
    one, other = spectra
    common = sorted(one.keys() & other.keys())
    if len(common) < min(LEAST_COMMON, len(one), len(other)) or not common:
        return None
    across = np.sum([one[at].conj() * other[at] for at in common], axis=0)
    powers = [sum(float((np.abs(kept[at]) ** 2).sum()) for at in common) for kept in spectra]
    lag, height = _peak(across, rate_hz)
    scale = math.sqrt(powers[0] * powers[1])
    correlation = min(abs(height) / scale, 1.0)
    sure = sureness(correlation, LEAST_ALIKE, _SURE_ALIKE)
    return Double(
        found=sure >= 0.5,
        confidence=sure,
        where=passages(common, 1.0),
        first=names[0],
        second=names[1],
        correlation=correlation,
        gain_db=power_db(powers[1] / powers[0]),
        delay_ms=1000 * lag / rate_hz,
        is_inverted=height < 0,
    )


def _peak(across: NDArray[np.complex64], rate_hz: float) -> tuple[float, float]:
    """Lag and height of the largest value of a cross-correlation; what the lag leaves out is made up for."""
    half = len(across) - 1
    wave = fft.irfft(across, 2 * half * _FINER) * (half * _FINER)
    reach = round(LONGEST_DELAY_S * rate_hz) * _FINER
    lags = np.arange(-reach, reach + 1)
    near = wave[lags] / (1 - np.abs(lags) / (half * _FINER))
    best = int(np.abs(near).argmax())
    return float(lags[best]) / _FINER, float(near[best])
