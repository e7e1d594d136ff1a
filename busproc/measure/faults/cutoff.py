"""A spectrum that ends as if cut off: an earlier lower rate, or a coder with losses."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy import fft

from busproc.measure.faults.finding import Finding, sureness
from busproc.measure.grid import Pieces

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Audio = NDArray[np.float64]

SOUGHT_HZ, LOWEST_HZ = 2500.0, 3000.0
"""Ends are sought from the first on and told from the second: what ends between them ends by itself."""
HIGHEST_SHARE = 0.91
"""Of half the rate: above it lies the filter of any converter."""
GAP_HZ, BESIDE_HZ = 400.0, 700.0
"""The fall takes place in the gap; what is below and above it is taken from so much on either side."""
LEAST_DROP_DB = 25.0
"""At 5 kHz that is 200 dB an octave; filters that shape a sound fall by 6 to 48. Ours, like all numbers."""
_SURE_DROP_DB = 40.0
_LOWEST_LINES, _HIGHEST_LINES = 20, 80
"""Percentiles of the bins below and above: tones 150 Hz apart or more make no spectrum that ends. The lower
one is also that of the whole octave below: bands with gaps between them make none either."""
RATES_HZ = (8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100, 48000, 88200, 96000)
_RATE_SHARE = (0.86, 1.005)
_USUAL_SHARE = 0.965
"""Where the filter of a converter ends, as a share of half its rate: measured with that of soxr, and a
wide range about it."""
_LEAST_POWER = 1e-16
_LEAST_WINDOW_S = 0.08


@dataclass(frozen=True, kw_only=True)
class Cutoff(Finding):
    """Where a spectrum ends.

    Attributes
    ----------
    freq_hz
        Middle of the steepest fall; None for silence.
    drop_db
        How far it falls within 400 Hz.
    rate_hz
        The usual rate whose converter would end there; None for none, as with many coders.
    """

    freq_hz: float | None
    drop_db: float
    rate_hz: int | None


class CutoffSearch:
    """Search a stream of one or two channels for a steep end of its spectrum.

    The mean power over the whole is taken in windows of 80 to 160 ms. A dark sound falls slowly and into
    its own noise; here what is just above lies 25 dB and more under what is just below, and under the octave
    below as a whole, and nothing further up comes back to it.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        size = 1
        while size < _LEAST_WINDOW_S * rate_hz:
            size *= 2
        self._rate_hz, self._bin_hz = rate_hz, rate_hz / size
        turn = 2 * math.pi * (np.arange(size) + 0.5) / size
        self._window = (0.42 - 0.5 * np.cos(turn) + 0.08 * np.cos(2 * turn))[:, None]
        self._pieces = Pieces(size, columns=channels)
        self._power = np.zeros(size // 2 + 1)
        self._count = 0

    def feed(self, block: Audio) -> None:
        """Take the next block, float64 of shape (frames, channels)."""
        for piece in self._pieces.of(block):
            bins = fft.rfft(np.ascontiguousarray((piece * self._window).T))
            self._power += (bins.real**2 + bins.imag**2).sum(axis=0)
            self._count += 1

    def finding(self) -> Cutoff:
        """Say where the spectrum ends, if it does."""
        if not self._power.any():
            return Cutoff(found=False, confidence=0.0, freq_hz=None, drop_db=0.0, rate_hz=None)
        power = self._power / self._count / len(self._window) ** 2
        levels_db = 10 * np.log10(power + _LEAST_POWER)
        edges, drops = self._drops(levels_db)
        best = int(drops.argmax()) if len(drops) else 0
        drop_db = float(drops[best]) if len(drops) else 0.0
        sure = sureness(drop_db, LEAST_DROP_DB, _SURE_DROP_DB)
        freq_hz = float(edges[best] * self._bin_hz) if len(edges) else 0.0
        found = sure >= 0.5 and freq_hz >= LOWEST_HZ
        return Cutoff(
            found=found,
            confidence=sure if found else min(sure, 0.49),
            freq_hz=freq_hz,
            drop_db=drop_db,
            rate_hz=self._rate_of(freq_hz),
        )

    def _drops(self, levels_db: Audio) -> tuple[NDArray[np.int64], Audio]:
        """How far the spectrum falls at each bin that can be an end of it."""
        gap, beside = (round(width / self._bin_hz) for width in (GAP_HZ / 2, BESIDE_HZ))
        first = round(SOUGHT_HZ / self._bin_hz)
        last = min(round(HIGHEST_SHARE * self._rate_hz / 2 / self._bin_hz), len(levels_db) - gap - beside)
        edges = np.arange(first, max(last, first))
        windows = sliding_window_view(levels_db, beside)
        below = np.percentile(windows[edges - gap - beside], _LOWEST_LINES, axis=1)
        above = np.percentile(windows[edges + gap], _HIGHEST_LINES, axis=1)
        highest_later = np.maximum.accumulate(above[::-1])[::-1]
        drops = below - highest_later
        for n in np.flatnonzero(drops >= LEAST_DROP_DB):
            top = int(edges[n]) - gap
            octave_db = np.percentile(levels_db[top // 2 : top], _LOWEST_LINES)
            drops[n] = min(drops[n], octave_db - highest_later[n])
        return edges, drops

    def _rate_of(self, freq_hz: float) -> int | None:
        low, high = _RATE_SHARE
        fitting = [rate for rate in RATES_HZ if low <= freq_hz / (rate / 2) <= high and rate < self._rate_hz]
        return min(fitting, key=lambda rate: abs(freq_hz / (rate / 2) - _USUAL_SHARE), default=None)
