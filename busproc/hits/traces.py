"""What a hit adds to what still rings, and how alike two hits are in that."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from busproc.hits.foreseen import ORDER
from busproc.hits.strength import STRENGTH_MS
from busproc.kernels.foresee import foreseeing, surprises
from busproc.measure.decibels import SINE_CREST_DB, power_db
from busproc.scratch import Scratch

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Audio = NDArray[np.float64]

SEEN_MS = 40.0
"""Ours, like all numbers here."""
SPARED_MS = 1.0
"""An onset may be found so much late: these are not counted as before it."""
LOWEST_EDGE_HZ, TOP_HZ = 60.0, 20000.0
GAINS_DB = np.arange(-12.0, 13.0, 1.5)
DULLER_DB_PER_OCTAVE = (0.0, 1.5, 3.0)
"""The softer a stroke, the duller (common practice, no source)."""
HEARD, UNHEARD_WEIGHT = 4.0, 0.1
"""A band counts in full where something stands 6 dB over what was before."""
SILENT_DBFS = -140.0
_TINY = 1e-30


@dataclass(frozen=True)
class Trace:
    """What is known of a possible hit.

    Attributes
    ----------
    after, before
        Power in bands of the 40 ms from the onset and of those before it, of what is left when what was
        before is foreseen: `(bands,)`.
    whitening
        What the filter that leaves it does to power: `(bins,)`.
    shape
        What the hit adds to the power of the sound itself, no less than nothing: `(bins,)`.
    added_dbfs
        The same of its first 20 ms, as a level.
    """

    after: Audio
    before: Audio
    whitening: Audio
    shape: Audio
    added_dbfs: float

    @property
    def heard_db(self) -> float:
        """How far it stands out from what was before, mean of all bands."""
        return float(np.abs(10 * np.log10((self.after + _TINY) / (self.before + _TINY))).mean())


class Traces:
    """Traces of one rate, kept on disk in order."""

    def __init__(self) -> None:
        self._rows: Scratch | None = None
        self._ends: list[int] = []

    def append(self, trace: Trace) -> None:
        """Add one."""
        parts = (trace.after, trace.before, trace.whitening, trace.shape, np.array([trace.added_dbfs]))
        if self._rows is None:
            self._ends = list(np.cumsum([len(part) for part in parts]))
            self._rows = Scratch((self._ends[-1],))
        self._rows.append(np.concatenate(parts)[None])

    def __len__(self) -> int:
        return 0 if self._rows is None else self._rows.frames

    def __getitem__(self, n: int) -> Trace:
        if self._rows is None or not 0 <= n < self._rows.frames:
            raise IndexError(n)
        after, before, whitening, shape, added, _ = np.split(self._rows.read(n, 1)[0], self._ends)
        return Trace(after, before, whitening, shape, float(added[0]))


def trace_of(sound: Audio, onset: int, rate_hz: int) -> Trace:
    """Look at `sound (frames, channels)` from an onset in it, with 80 ms and more to either side."""
    seen, spared, first = (round(ms * rate_hz / 1000) for ms in (SEEN_MS, SPARED_MS, STRENGTH_MS))
    ended = onset - spared
    past = sound[ended - seen - ORDER : ended]
    taps = foreseeing(past, ORDER)
    fading = np.cos(np.pi / 2 * np.arange(seen) / seen) ** 2
    fading /= math.sqrt(float(np.sum(fading**2)) * seen)
    after, before = sound[onset - ORDER : onset + seen], past
    added = float(np.mean(sound[onset : onset + first] ** 2) - np.mean(sound[ended - first : ended] ** 2))
    added_db = power_db(max(added, 0.0))
    return Trace(
        _in_bands(_power(surprises(after, taps), fading), rate_hz),
        _in_bands(_power(surprises(before, taps), fading[::-1]), rate_hz),
        np.abs(np.fft.rfft(np.concatenate([[1.0], -taps]), seen)) ** 2,
        np.maximum(_power(after[ORDER:], fading) - _power(before[ORDER:], fading[::-1]), 0.0),
        SILENT_DBFS if added_db is None else max(SILENT_DBFS, added_db + SINE_CREST_DB),
    )


def _power(sound: Audio, window: Audio) -> Audio:
    return np.asarray(np.square(np.abs(np.fft.rfft(sound * window[:, None], axis=0))).mean(axis=1))


def _in_bands(power: Audio, rate_hz: int) -> Audio:
    """Sums over third octaves, `(.., bands)` of `(.., bins)`."""
    freq_hz = np.arange(power.shape[-1]) * (1000 / SEEN_MS)
    top = int(np.searchsorted(freq_hz, min(TOP_HZ, rate_hz / 2)))
    edges_hz = LOWEST_EDGE_HZ * 2 ** (np.arange(30) / 3)
    firsts = np.unique(np.searchsorted(freq_hz, [0.0, *edges_hz[edges_hz < freq_hz[top - 1]]]))
    return np.asarray(np.add.reduceat(power[..., :top], firsts, axis=-1))


def unlike_db(trace: Trace, shapes: Audio, rate_hz: int) -> tuple[Audio, Audio]:
    """How far a hit is from being each of other ones, louder or softer or duller.

    What was before it and the other one's shape, heard through the same prediction, would give powers in
    bands; told is how far, root mean square of dB, they are from what was found, at the best of some gains.

    Parameters
    ----------
    trace
        The hit.
    shapes
        Those of the others `(others, bins)`.
    rate_hz
        The rate.

    Returns
    -------
    unlike_db, gain_db : ndarray
        Of each other one, `(others,)`.
    """
    models = _in_bands(shapes * trace.whitening, rate_hz)
    octaves = np.arange(models.shape[1]) / 3
    octaves -= octaves.mean()
    tilts = 10 ** (-np.multiply.outer(DULLER_DB_PER_OCTAVE, octaves) / 10)
    tilted = models[:, None] * tilts
    gains_db = _same_power_db(trace, tilted)[..., None] + GAINS_DB
    powers = trace.before + 10 ** (gains_db[..., None] / 10) * tilted[:, :, None]
    apart = _apart_db(trace, powers).reshape(len(shapes), -1)
    best = apart.argmin(axis=1)
    return apart.min(axis=1), gains_db.reshape(len(shapes), -1)[np.arange(len(shapes)), best]


def _same_power_db(trace: Trace, models: Audio) -> Audio:
    added = float(np.sum(np.maximum(trace.after - trace.before, 0.0))) + _TINY
    return np.asarray(10 * np.log10(added / (models.sum(axis=-1) + _TINY)))


def _apart_db(trace: Trace, powers: Audio) -> Audio:
    weight = UNHEARD_WEIGHT + (np.maximum(powers, trace.after) > HEARD * trace.before)
    apart_db = 10 * np.log10((trace.after + _TINY) / (powers + _TINY))
    return np.asarray(np.sqrt(np.sum(weight * apart_db**2, axis=-1) / np.sum(weight, axis=-1)))
