"""Hum of the mains: 50 or 60 Hz and its multiples, steady all the time."""

from __future__ import annotations

import math
from array import array
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import fft

from busproc.measure.decibels import SINE_CREST_DB, power_db, raised
from busproc.measure.faults.finding import Finding, sureness
from busproc.measure.grid import Pieces

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Audio = NDArray[np.float64]

MAINS_HZ = (50.0, 60.0)
HARMONICS = 16
_LEAST_WINDOW_S = 1.3
OFF = 0.004
"""How far the mains may be off, as a share: 0.2 Hz of 50 (common practice, no source)."""
QUIET_WINDOWS = 16
QUIET_SHARE = 0.25
"""Hum is sought in the quietest windows, so many at most and at least that share of a short sound."""
LEAST_WINDOWS = 4
STANDS_OUT_DB = 13.0
"""How far a line lies over all within 20 Hz of it: a note that begins again and again has lines beside its
own. Ours, like all numbers here."""
BESIDE_HZ = 20.0
STEADY_DB = 4.0
"""How far its level may be apart from one quiet window to another, and under that in any window."""
LEAST_LINES = 3
_SURE_LINES = 6
_LINE_BINS = 2


@dataclass(frozen=True, kw_only=True)
class Hum(Finding):
    """Lines of the mains.

    Attributes
    ----------
    mains_hz
        50 or 60, whichever has more lines; None for none.
    freq_hz
        The mains' own frequency, to 0.1 %.
    harmonics
        Numbers of the lines that stand out and are steady, 1 for the mains itself.
    level_dbfs
        Of these lines together; one sine reads its peak.
    under_loud_db
        How far that is under the loud moments of the sound (95th percentile of windows of 1.4 s).
    """

    mains_hz: float | None
    freq_hz: float | None
    harmonics: tuple[int, ...]
    level_dbfs: float | None
    under_loud_db: float | None


class HumSearch:
    """Search a stream of one or two channels for hum.

    In the quietest passages the lines of 50 or 60 Hz must stand out of what is beside them, three at least
    and one of the first three among them, and be steady; and they must be there all the time. A bass that
    plays the same note stops now and then. A tone that never stops, with multiples, on the mains' frequency
    itself is hum by this measure, whoever meant it. Windows with digital silence in them are left out.

    Kept are the spectra of 16 windows, and 33 numbers for each 0.7 s.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        size = 1
        while size < _LEAST_WINDOW_S * rate_hz:
            size *= 2
        self._size, self._bin_hz, self._channels = size, rate_hz / size, channels
        self._window = (0.5 - 0.5 * np.cos(2 * math.pi * (np.arange(size) + 0.5) / size))[:, None]
        self._bins = min(size // 2, round((HARMONICS * MAINS_HZ[-1] + 2 * BESIDE_HZ) / self._bin_hz))
        self._pieces = Pieces(size, columns=channels, shared=size // 2)
        self._levels = array("d")
        self._lines = array("f")
        self._quiet: list[tuple[float, int, Audio]] = []

    def feed(self, block: Audio) -> None:
        """Take the next block, float64 of shape (frames, channels)."""
        for piece in self._pieces.of(block):
            if not _has_silence(piece):
                self._take(piece)

    def finding(self) -> Hum:
        """Say what hum there is."""
        quiet = self._quiet[: max(LEAST_WINDOWS, round(QUIET_SHARE * len(self._levels)))]
        if len(quiet) < LEAST_WINDOWS:
            return _NOTHING
        spectra = np.stack([spectrum for _, _, spectrum in quiet])
        return max((self._series(spectra, mains) for mains in (0, 1)), key=lambda hum: len(hum.harmonics))

    def _take(self, piece: Audio) -> None:
        """Keep the windows that are quietest, in that order, and the lines of all."""
        waves = np.multiply(piece, self._window).T.astype(np.float32)
        bins = fft.rfft(waves)[:, : self._bins]
        spectrum = (bins.real**2 + bins.imag**2).sum(axis=0, dtype=np.float64)
        level = float(np.einsum("ij,ij->", piece, piece)) / piece.size
        self._lines.extend(
            float(spectrum[self._near(mains_hz * k, OFF * mains_hz * k)].sum())
            for mains_hz in MAINS_HZ
            for k in range(1, HARMONICS + 1)
        )
        self._levels.append(level)
        self._quiet.append((level, len(self._levels), spectrum))
        self._quiet.sort(key=lambda each: each[:2])
        del self._quiet[QUIET_WINDOWS:]

    def _near(self, freq_hz: float, off_hz: float = 0.0) -> slice:
        """The bins of a line that may be off by so much."""
        first = round((freq_hz - off_hz) / self._bin_hz) - _LINE_BINS
        return slice(first, round((freq_hz + off_hz) / self._bin_hz) + _LINE_BINS + 1)

    def _series(self, spectra: Audio, mains: int) -> Hum:
        """What the quiet windows hold of one of the two series."""
        nominal_hz = MAINS_HZ[mains]
        candidates = nominal_hz * (1 + np.linspace(-OFF, OFF, 17))
        usual = np.median(spectra, axis=0)
        freq_hz = float(max(candidates, key=lambda hz: sum(self._out_db(usual, hz * k) for k in range(1, 9))))
        harmonics = tuple(k for k in range(1, HARMONICS + 1) if self._is_line(spectra, mains, freq_hz, k))
        if not harmonics:
            return _NOTHING
        power = sum(float(np.median(spectra[:, self._near(freq_hz * k)].sum(axis=1))) for k in harmonics)
        level = power * 2 / (0.375 * self._size**2) / self._channels
        loud = float(np.percentile(np.array(self._levels), 95))
        sure = sureness(len(harmonics), LEAST_LINES, _SURE_LINES) if harmonics[0] <= 3 else 0.0
        return Hum(
            found=sure >= 0.5,
            confidence=sure,
            mains_hz=nominal_hz,
            freq_hz=self._exact_hz(usual, freq_hz * harmonics[-1]) / harmonics[-1],
            harmonics=harmonics,
            level_dbfs=raised(power_db(level), SINE_CREST_DB),
            under_loud_db=power_db(loud / level),
        )

    def _exact_hz(self, spectrum: Audio, freq_hz: float) -> float:
        """The top of a line between the bins, by a parabola through their levels."""
        near = self._near(freq_hz)
        top = near.start + int(spectrum[near].argmax())
        before, at, after = np.log(spectrum[top - 1 : top + 2])
        return float(top + 0.5 * (before - after) / (before - 2 * at + after)) * self._bin_hz

    def _out_db(self, spectrum: Audio, freq_hz: float) -> float:
        """How far a line lies over the highest of what is beside it, 0 to 40 dB."""
        middle, far = round(freq_hz / self._bin_hz), round(BESIDE_HZ / self._bin_hz)
        line = spectrum[middle - 1 : middle + 2].max()
        below = spectrum[middle - far : middle - _LINE_BINS]
        above = spectrum[middle + _LINE_BINS + 1 : middle + far + 1]
        beside = max(below.max(), above.max())
        return min(max(10 * math.log10(line / beside), 0.0), 40.0) if line * beside > 0 else 0.0

    def _is_line(self, spectra: Audio, mains: int, freq_hz: float, k: int) -> bool:
        """Whether a harmonic stands out in the quiet windows, is steady in them, and never stops."""
        levels_db = 10 * np.log10(spectra[:, self._near(freq_hz * k)].sum(axis=1) + 1e-30)
        low, middle, high = np.percentile(levels_db, [10, 50, 90])
        always = np.array(self._lines).reshape(-1, len(MAINS_HZ), HARMONICS)[:, mains, k - 1]
        least_db = 10 * math.log10(float(np.percentile(always, 5)) + 1e-30)
        steady = high - low <= STEADY_DB and least_db >= middle - STEADY_DB
        return bool(steady and self._out_db(np.median(spectra, axis=0), freq_hz * k) >= STANDS_OUT_DB)


_NOTHING = Hum(
    found=False,
    confidence=0.0,
    mains_hz=None,
    freq_hz=None,
    harmonics=(),
    level_dbfs=None,
    under_loud_db=None,
)


def _has_silence(piece: Audio) -> bool:
    """Whether more than a hundredth of a window is digital silence."""
    silent = (piece[:, 0] == 0) & (piece[:, -1] == 0)
    return bool(np.count_nonzero(silent) > 0.01 * len(piece))
