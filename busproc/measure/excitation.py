"""What a stereo stream excites along the inner ear: power on the ERB-number scale, over time."""

from __future__ import annotations

import math
from array import array
from typing import TYPE_CHECKING

import numpy as np
from scipy import fft

from busproc.measure.grid import Pieces

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Audio = NDArray[np.float64]

ERB_NUMBERS = tuple(range(2, 39))
"""Bands one ERB apart, 55 Hz to 14 kHz."""

_LEAST_WINDOW_S = 0.08
_FURTHEST_ERB = 8.0
"""Beyond it a filter lets nothing pass: the roex weighs less than 1e-11."""


def erb_hz(freq_hz: float) -> float:
    """Return the equivalent rectangular bandwidth of the ear at a frequency, in Hz.

    Source: Glasberg and Moore, 'Derivation of auditory filter shapes from notched-noise data', Hearing
    Research 47 (1990).
    """
    return 24.7 * (4.37e-3 * freq_hz + 1)


def erb_number(freq_hz: float) -> float:
    """Return where a frequency lies on the ERB-number scale (same source)."""
    return 21.4 * math.log10(4.37e-3 * freq_hz + 1)


def freq_at(number: float) -> float:
    """Return the frequency in Hz at an ERB-number."""
    return (math.pow(10, number / 21.4) - 1) / 4.37e-3


class Excitation:
    """Power that a stereo stream leaves in the ear's filters, one ERB apart, every 40 ms or so.

    Hann windows of 80 to 160 ms (85 ms at 48 kHz) follow each other at half their length. A band is the power
    that passes a rounded-exponential filter, W(g) = (1 + pg) exp(-pg) with p = 4 f / ERB and g the distance
    from its middle f in parts of f: its skirts are the spreading. That is the ear's filter at moderate
    levels, where it is symmetric; at high levels it reaches further up, which is left out. Under 200 Hz the
    window is wider than the filter.

    The windows lie on the stream's own grid, so the sizes of the blocks do not matter; what does not fill the
    last one is left out. What is kept grows by 37 numbers of 4 bytes each half window: 0.2 MB a minute.

    Source: Patterson et al., JASA 72 (1982), and Moore and Glasberg, JASA 74 (1983), for the filter and for
    excitation as its output over its middle (from memory); Glasberg and Moore 1990 for its width.

    Parameters
    ----------
    rate_hz
        Frames a second.

    Attributes
    ----------
    freqs_hz : tuple of float
        The middles of the bands, from the lowest up, as far as they lie under Nyquist.
    hop_s, window_s : float
        Time from one window to the next, and its length.
    """

    def __init__(self, rate_hz: int) -> None:
        size = 1
        while size < _LEAST_WINDOW_S * rate_hz:
            size *= 2
        self.freqs_hz = tuple(f for f in map(freq_at, ERB_NUMBERS) if f < rate_hz / 2)
        self.window_s, self.hop_s = size / rate_hz, size / 2 / rate_hz
        self._window = (0.5 - 0.5 * np.cos(2 * math.pi * (np.arange(size) + 0.5) / size))[:, None]
        self._filters = [roex(freq_hz, rate_hz, size) for freq_hz in self.freqs_hz]
        self._pieces = Pieces(size, shared=size // 2)
        self._kept = array("f")

    def feed(self, block: Audio) -> None:
        """Take the next block, float64 of shape (frames, 2)."""
        for piece in self._pieces.of(block):
            bins = fft.rfft(np.ascontiguousarray((piece * self._window).T))
            power = (bins.real**2 + bins.imag**2).sum(axis=0)
            passed = [weights @ power[first : first + len(weights)] for first, weights in self._filters]
            self._kept.frombytes(np.array(passed, dtype=np.float32).tobytes())

    def cells(self) -> NDArray[np.float32]:
        """Return the power in each band, (windows, bands): a tone on both sides reads its mean square."""
        return np.array(self._kept, dtype=np.float32).reshape(-1, len(self.freqs_hz))


def roex(freq_hz: float, rate_hz: int, size: int) -> tuple[int, Audio]:
    """First bin of a filter, and weights that make of the bins the power of a sound, mean of its sides.

    The bins are those of a window of so many frames under a Hann curve, their power the sum of both sides.
    """
    bins_hz = np.arange(size // 2 + 1) * rate_hz / size
    away_erb = np.abs(bins_hz - freq_hz) / erb_hz(freq_hz)
    inside = np.flatnonzero(away_erb < _FURTHEST_ERB)
    first, away = int(inside[0]), 4 * away_erb[inside]
    hann_power = 0.375 * size
    return first, (1 + away) * np.exp(-away) / (size * hann_power)
