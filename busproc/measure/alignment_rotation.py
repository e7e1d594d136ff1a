"""All-pass filters that turn one sound towards another where delay alone is not enough."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from busproc.measure.alignment_spectra import Held, Sound, loud_windows, spectra_of
from busproc.measure.alignment_sum import HEARD, bands_at, in_bands

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from numpy.typing import NDArray

    from busproc.measure.alignment import Aligned
    from busproc.measure.alignment_delay import Polarity
    from busproc.measure.alignment_spectra import Spectra

    Audio = NDArray[np.float64]
    Bins = NDArray[np.complex128]

LEAST_DB = 0.3
"""Each all-pass adds so much to the sum, in the mean of its third octaves, or is left out. Ours."""
MOST_FILTERS = 2
_PARTS = 16
"""Cells of a third octave over which an all-pass is taken to be the same."""
_SIMPLER_DB = 0.1
"""So much louder the sum must be for a second order."""
_ROUNDS = 8
_LATER_FRAMES = (1.0, 0.25, 0.0625, 0.015625)
_SIGNS: tuple[Polarity, Polarity] = (1, -1)
_FREQS_HZ = tuple(20 * 2 ** (k / 6) for k in range(55))
_QS = (None, 0.3, 0.5, 0.7, 1.0, 1.5, 2.5, 4.0)
_FINER = (1 / 12, 1 / 24, 1 / 48, 1 / 96, 1 / 192)


class AllPass(NamedTuple):
    """An all-pass: first order without a q, -90 degrees at its frequency; else second order, -180 degrees."""

    freq_hz: float
    q: float | None

    def section(self, rate_hz: float) -> tuple[float, float, float, float, float]:
        """Return b0, b1, b2, a1, a2 with a0 = 1.

        Source: bilinear transform; the second order is that of the Audio EQ Cookbook.
        """
        tangent = math.tan(math.pi * self.freq_hz / rate_hz)
        if self.q is None:
            c = (tangent - 1) / (tangent + 1)
            return c, 1.0, 0.0, c, 0.0
        whole = 1 + tangent / self.q + tangent * tangent
        last, middle = (1 - tangent / self.q + tangent * tangent) / whole, 2 * (tangent * tangent - 1) / whole
        return last, middle, 1.0, middle, last

    def response(self, freqs_hz: Audio, rate_hz: float) -> Bins:
        """Return what it multiplies a sine of each frequency by."""
        x = np.tan(math.pi * freqs_hz / rate_hz) / math.tan(math.pi * self.freq_hz / rate_hz)
        pole = 1 + 1j * x if self.q is None else 1 - x * x + 1j * x / self.q
        return np.asarray(np.conj(pole) / pole, dtype=np.complex128)


@dataclass(frozen=True)
class Rotation:
    """All-passes for the other sound, and the delay and polarity that it then needs undone.

    `delayed_db` is the level of the sum with delay and polarity alone, against both powers added up, in the
    mean of the third octaves that are heard; `rotated_db` the same with the all-passes.
    """

    filters: tuple[AllPass, ...]
    delay_frames: float
    polarity: Polarity
    delayed_db: float
    rotated_db: float


def fit_rotation(one: Sound | Audio, other: Sound | Audio, rate_hz: int, aligned: Aligned) -> Rotation | None:
    """Find up to two all-passes for the other sound that make the sum loudest.

    All frequencies from 20 Hz to 10 kHz and both orders are tried on the sum, in either polarity, then the
    best is refined.

    Parameters
    ----------
    one, other, rate_hz
        As given to `align_pair`.
    aligned
        What it returned.

    Returns
    -------
    Rotation or None
        None where the delay is unknown, or no all-pass adds 0.3 dB to the sum.
    """
    if aligned.delay_frames is None or aligned.polarity is None:
        return None
    one, other = (Held(sound) if isinstance(sound, np.ndarray) else sound for sound in (one, other))
    late = round(aligned.delay_frames)
    windows = loud_windows(one, other, rate_hz)
    table = _Sum(spectra_of(one, other, rate_hz, windows, late), aligned.delay_frames - late)
    delayed_db = table.level_db(aligned.polarity)
    best = _Tried(delayed_db, (), aligned.polarity, 0.0)
    while len(best.filters) < MOST_FILTERS:
        more = table.with_one_more(best)
        if more.level_db - best.level_db < LEAST_DB:
            break
        best = more
    if not best.filters:
        return None
    frames = round(aligned.delay_frames + best.later_frames, 3)
    return Rotation(best.filters, frames, best.polarity, delayed_db, best.level_db)


class _Tried(NamedTuple):
    level_db: float
    filters: tuple[AllPass, ...]
    polarity: Polarity
    later_frames: float
    """How much later than was thought the other is."""


class _Sum:
    """Cross spectrum in cells, `(bands, 16)`, against both powers in each band: what the sum is made of."""

    def __init__(self, spectra: Spectra, late_frames: float) -> None:
        self._rate_hz = spectra.rate_hz
        turn = 2 * math.pi * np.arange(len(spectra.cross)) / spectra.windows.size
        apart = in_bands(spectra.one + spectra.other, spectra).real[:, 0]
        heard = apart > HEARD * apart.max()
        cross = in_bands(spectra.cross * np.exp(1j * turn * late_frames), spectra, _PARTS)
        self._cells = 2 * cross[heard] / apart[heard, None]
        places = (np.arange(_PARTS) + 0.5) / _PARTS - 0.5
        mids = np.array(bands_at(spectra))[heard, None] + places
        self._freqs_hz = 1000 * 10 ** (mids / 10)

    def level_db(self, polarity: Polarity) -> float:
        """Level of the sum in the mean of its bands, as it is."""
        return _level_db(self._cells, polarity)

    def with_one_more(self, best: _Tried) -> _Tried:
        """Add the all-pass with which the sum is loudest.

        Then each in turn is found anew beside the others, and so is the delay, which the turning has biased.
        """
        others = best.filters
        for _ in range(_ROUNDS):
            best = self._in_time(self._beside(others, best.later_frames))
            others = best.filters[1:]
        return best

    def _turned(self, filters: Iterable[AllPass], later_frames: float) -> Bins:
        turn = 2 * math.pi / self._rate_hz * self._freqs_hz
        cells: Bins = self._cells * np.exp(1j * turn * later_frames)
        for each in filters:
            cells = cells * each.response(self._freqs_hz, self._rate_hz)
        return cells

    def _in_time(self, best: _Tried) -> _Tried:
        """Find the delay anew, ever finer."""
        for step in _LATER_FRAMES:
            around = (best.later_frames + k * step for k in range(-4, 5))
            tried = ((_level_db(self._turned(best.filters, each), best.polarity), each) for each in around)
            level_db, later = max(tried)
            best = best._replace(level_db=level_db, later_frames=later)
        return best

    def _beside(self, others: tuple[AllPass, ...], later_frames: float) -> _Tried:
        """The loudest sum with one all-pass after others; a second order must earn it."""
        cells = self._turned(others, later_frames)
        first, second = self._best_of(cells, _QS[:1]), self._best_of(cells, _QS[1:])
        best = second if second.level_db > first.level_db + _SIMPLER_DB else first
        return best._replace(filters=(*others, *best.filters), later_frames=later_frames)

    def _best_of(self, cells: Bins, qs: Sequence[float | None]) -> _Tried:
        """Try all frequencies, then finer and finer around the best."""
        best = self._loudest(cells, (AllPass(freq_hz, q) for freq_hz, q in product(_FREQS_HZ, qs)))
        for step in _FINER:
            best = self._loudest(cells, _around(best.filters[0], step))
        return best

    def _loudest(self, cells: Bins, filters: Iterable[AllPass]) -> _Tried:
        tried = ((each, cells * each.response(self._freqs_hz, self._rate_hz)) for each in filters)
        return max(
            (_Tried(_level_db(made, sign), (each,), sign, 0.0) for each, made in tried for sign in _SIGNS),
            key=lambda one: one.level_db,
        )


def _level_db(cells: Bins, polarity: Polarity) -> float:
    shares = np.maximum(1 + polarity * cells.real.sum(axis=1), 1e-6)
    return float((10 * np.log10(shares)).mean())


def _around(it: AllPass, step: float) -> Iterator[AllPass]:
    """Neighbours of an all-pass, and itself."""
    for up, wider in product(range(-2, 3), repeat=2):
        if it.q is not None or not wider:
            q = None if it.q is None else round(it.q * 2 ** (4 * wider * step), 3)
            yield AllPass(round(it.freq_hz * 2 ** (up * step), 1), q)
