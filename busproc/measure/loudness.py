"""Programme loudness and loudness range."""

from __future__ import annotations

import math
from array import array
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from busproc.kernels.loudness import CELLS_PER_SECOND, PAST, cell_edges, room_for_a_cell, weigh_into_cells
from busproc.measure.decibels import power_db, raised

if TYPE_CHECKING:
    from numpy.typing import NDArray

MOMENTARY_TENTHS = 4
SHORT_TERM_TENTHS = 30

_CELLS_PER_TENTH = CELLS_PER_SECOND // 10
_OFFSET_DB = -0.691  # BS.1770-5, eq. 2
_ABSOLUTE_GATE = 10 ** ((-70 - _OFFSET_DB) / 10)

_SHELF_HZ = 1681.974450955533
_SHELF_Q = 0.7071752369554196
_SHELF_DB = 3.999843853973347
_SHELF_MID_EXPONENT = 0.4996667741545416
_HIGH_PASS_HZ = 38.13547087602444
_HIGH_PASS_Q = 0.5003270373238773
_TABLES_RATE_HZ = 48_000


@dataclass(frozen=True)
class KWeighting:
    """The two sections in series, numerators b0, b1, b2 and denominators a1, a2 (a0 is 1)."""

    shelf_b: tuple[float, float, float]
    shelf_a: tuple[float, float]
    high_pass_b: tuple[float, float, float]
    high_pass_a: tuple[float, float]


def k_weighting(rate_hz: int) -> KWeighting:
    """Design the K-weighting filter for any rate.

    At 48 kHz these are the coefficients of BS.1770-5 (2023), Annex 1, Tables 1 and 2. The Recommendation asks
    other rates for the same response; the prototypes used are those known to reproduce the tables by the
    bilinear transform, K = tan(pi f / rate). The high-pass keeps the gain that its numerator 1, -2, 1 has at
    48 kHz. Common meters keep the numerator itself, and with it read 0.004 LU more than this one at 44.1 kHz,
    0.02 LU less at 96 kHz and 0.2 LU more at 8 kHz.

    Measured against the tables up to 0.49 of the rate: within 0.002 dB at 44.1 kHz, 0.008 dB from 88.2 to
    384 kHz, 0.04 dB at 22.05 kHz, 0.3 dB at 8 kHz. The transform squeezes the shelf towards Nyquist, where it
    reaches its full 4.04 dB whatever the rate.
    """
    k = math.tan(math.pi * _SHELF_HZ / rate_hz)
    top = math.pow(10, _SHELF_DB / 20)
    middle = math.pow(top, _SHELF_MID_EXPONENT) * k / _SHELF_Q
    divisor = 1 + k / _SHELF_Q + k * k
    gain = _high_pass_divisor(_TABLES_RATE_HZ) / _high_pass_divisor(rate_hz)
    return KWeighting(
        shelf_b=(
            (top + middle + k * k) / divisor,
            2 * (k * k - top) / divisor,
            (top - middle + k * k) / divisor,
        ),
        shelf_a=_poles(_SHELF_HZ, _SHELF_Q, rate_hz),
        high_pass_b=(gain, -2 * gain, gain),
        high_pass_a=_poles(_HIGH_PASS_HZ, _HIGH_PASS_Q, rate_hz),
    )


def _poles(freq_hz: float, q: float, rate_hz: int) -> tuple[float, float]:
    k = math.tan(math.pi * freq_hz / rate_hz)
    divisor = 1 + k / q + k * k
    return 2 * (k * k - 1) / divisor, (1 - k / q + k * k) / divisor


def _high_pass_divisor(rate_hz: int) -> float:
    k = math.tan(math.pi * _HIGH_PASS_HZ / rate_hz)
    return 1 + k / _HIGH_PASS_Q + k * k


def lufs(power: float) -> float | None:
    """Return the loudness of a K-weighted power summed over the channels; None for silence.

    Source: BS.1770-5, eq. 2.
    """
    return raised(power_db(power), _OFFSET_DB)


def gated_power(powers: NDArray[np.float64]) -> float:
    """Return the mean power of 400 ms blocks past both gates of BS.1770-5, or 0 if none is.

    The gates: above -70 LUFS, and above 10 LU under the loudness of the blocks that are (eq. 3 to 7).
    """
    audible = powers[powers > _ABSOLUTE_GATE]
    return _mean(audible[audible > _mean(audible) / 10])


def loudness_range_lu(powers: NDArray[np.float64]) -> float | None:
    """Return the loudness range of short-term powers, or None if all lie under -70 LUFS.

    From the 10th to the 95th percentile of the values above -70 LUFS and above 20 LU under the loudness of
    those that are; percentile p of n sorted values is number round((n - 1) p).

    Source: EBU Tech 3342 (2023); the rounding of the percentile is from memory.
    """
    audible = powers[powers > _ABSOLUTE_GATE]
    ranked = np.sort(audible[audible > _mean(audible) / 100])
    if len(ranked) == 0:
        return None
    low, high = (float(ranked[int((len(ranked) - 1) * part + 0.5)]) for part in (0.10, 0.95))
    return 10 * math.log10(high / low)


def _mean(powers: NDArray[np.float64]) -> float:
    return math.fsum(powers) / max(len(powers), 1)


def _two_at_once(design: KWeighting) -> NDArray[np.float64]:
    """Return the filter as `weigh_into_cells` takes it: poles that reach two and four frames back.

    Numerator and denominator are multiplied by the denominator with every second sign turned, which leaves
    the response as it is and only even powers in the denominator.
    """
    zeros = np.convolve(design.shelf_b, design.high_pass_b)
    poles: list[float] = []
    for a1, a2 in (design.shelf_a, design.high_pass_a):
        zeros = np.convolve(zeros, (1.0, -a1, a2))
        poles += [2 * a2 - a1 * a1, a2 * a2]
    return np.array([*zeros, *poles])


class Loudness:
    """K-weighted power of a stereo stream, kept as one number per 10 ms: 8.6 MB for three hours.

    Cell c ends at frame round(c * rate / 100), halves up, so cells keep in step with the clock at rates where
    10 ms is no whole number of frames (110 or 111 frames at 11.025 kHz), and each window's power is the mean
    over its own number of frames. A cell still unfinished at the end belongs to no window.
    """

    def __init__(self, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        self._design = _two_at_once(k_weighting(rate_hz))
        self._past = np.zeros(PAST)
        self._weighed = np.zeros(room_for_a_cell(rate_hz))
        self._frames = 0
        self._cells = array("d")

    def feed(self, block: NDArray[np.float64]) -> None:
        """Take the next block, C-contiguous float64 of shape (frames, 2)."""
        done = np.empty(len(block) * CELLS_PER_SECOND // self._rate_hz + 2)
        count = weigh_into_cells(
            block.reshape(-1),
            self._design,
            self._past,
            self._weighed,
            self._frames,
            len(self._cells),
            self._rate_hz,
            done,
        )
        self._cells.frombytes(done[:count].tobytes())
        self._frames += len(block)

    def window_powers(self, tenths: int) -> NDArray[np.float64]:
        """Return the mean power of every full window of `tenths` * 100 ms, one ending at each 10 ms."""
        edges = cell_edges(len(self._cells), self._rate_hz)
        span = tenths * _CELLS_PER_TENTH
        tenth_energies = _sliding_sum(np.array(self._cells), 1, _CELLS_PER_TENTH)
        energies = _sliding_sum(tenth_energies, _CELLS_PER_TENTH, tenths)
        return energies / (edges[span:] - edges[:-span])[: len(energies)]


def _sliding_sum(values: NDArray[np.float64], stride: int, count: int) -> NDArray[np.float64]:
    """Add up `count` values, `stride` apart, from every place where they fit."""
    places = max(len(values) - (count - 1) * stride, 0)
    total = np.zeros(places)
    for i in range(count):
        total += values[i * stride : i * stride + places]
    return total
