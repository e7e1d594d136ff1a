"""What a hit adds to what still rings."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from busproc.hits.foreseen import ORDER
from busproc.hits.strength import SILENT_DBFS, strength_dbfs
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
LEAST_PASSED = 1e-6
"""What prediction takes away by more than 60 dB is not given back in full."""
OVER_DB = 2.0
"""A hit adds no more than is there; by so much may its level from bands be over that of the sound."""
TINY = 1e-30


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
        What the hit adds to the power of the sound, as it is without prediction: `(bins,)`.
    added_dbfs
        The same as a level.
    """

    after: Audio
    before: Audio
    whitening: Audio
    shape: Audio
    added_dbfs: float

    @property
    def heard_db(self) -> float:
        """How far it stands over what was before, mean of all bands."""
        return float(np.maximum(10 * np.log10((self.after + TINY) / (self.before + TINY)), 0.0).mean())


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
    seen, spared = (round(ms * rate_hz / 1000) for ms in (SEEN_MS, SPARED_MS))
    ended = onset - spared
    past = sound[ended - seen - ORDER : ended]
    taps = foreseeing(past, ORDER)
    fading = np.cos(np.pi / 2 * np.arange(seen) / seen) ** 2
    fading /= math.sqrt(float(np.sum(fading**2)) * seen)
    after = _power(surprises(sound[onset - ORDER : onset + seen], taps), fading)
    before = _power(surprises(past, taps), fading[::-1])
    whitening = np.abs(np.fft.rfft(np.concatenate([[1.0], -taps]), seen)) ** 2
    shape = np.maximum(after - before, 0.0) / np.maximum(whitening, LEAST_PASSED)
    added_db = power_db(2 * float(shape.sum()))
    added_dbfs = SILENT_DBFS if added_db is None else max(SILENT_DBFS, added_db + SINE_CREST_DB)
    return Trace(
        in_bands(after, rate_hz),
        in_bands(before, rate_hz),
        whitening,
        shape,
        min(added_dbfs, strength_dbfs(sound, onset, rate_hz) + OVER_DB),
    )


def _power(sound: Audio, window: Audio) -> Audio:
    return np.asarray(np.square(np.abs(np.fft.rfft(sound * window[:, None], axis=0))).mean(axis=1))


def in_bands(power: Audio, rate_hz: int) -> Audio:
    """Sums over third octaves, `(.., bands)` of `(.., bins)`."""
    freq_hz = np.arange(power.shape[-1]) * (1000 / SEEN_MS)
    top = int(np.searchsorted(freq_hz, min(TOP_HZ, rate_hz / 2)))
    edges_hz = LOWEST_EDGE_HZ * 2 ** (np.arange(30) / 3)
    firsts = np.unique(np.searchsorted(freq_hz, [0.0, *edges_hz[edges_hz < freq_hz[top - 1]]]))
    return np.asarray(np.add.reduceat(power[..., :top], firsts, axis=-1))
