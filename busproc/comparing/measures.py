"""All that is compared of one sound, none of which depends on its level."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from busproc.comparing.spectra import LongTerm
from busproc.measure.bands import EDGES_HZ, NAMES, WHOLE
from busproc.measure.decibels import power_db
from busproc.measure.grid import Pieces
from busproc.measure.likeness import HEARD_DB, Character
from busproc.measure.meter import Meter, Reading
from busproc.measure.spectrum import ThirdOctaves
from busproc.measure.stereo import stereo_by_band
from busproc.measure.transients import Transients
from busproc.measure.weighting import a_weighting_db
from busproc.stages.base import Audio
from busproc.stages.observe import NOMINAL_HZ

Levels = dict[str, float | None]

BRIGHTNESS_HZ = (20, 16000)
LOW_END = f"below {EDGES_HZ[0]:g} Hz"


class Brightness:
    """Where the middle of the spectrum lies, second by second.

    The mean of log frequency from 20 Hz to 16 kHz, each frequency weighed by its A-weighted power (IEC
    61672-1): loud lows that are hardly heard do not draw it down. None for seconds that lie 60 dB under the
    loudest. The weighting, the range and the seconds are ours, not a standard's.
    """

    def __init__(self, rate_hz: int) -> None:
        self._pieces = Pieces(rate_hz)
        low, high = BRIGHTNESS_HZ
        self._hz = np.arange(low, min(high, rate_hz // 2) + 1)  # a second's lines lie 1 Hz apart
        self._log_hz = np.log(self._hz)
        self._weights = np.array([10 ** (a_weighting_db(hz) / 10) for hz in self._hz.tolist()])
        self._window = 0.5 - 0.5 * np.cos(2 * math.pi * (np.arange(rate_hz) + 0.5) / rate_hz)
        self._sums: list[tuple[float, float]] = []

    def feed(self, block: Audio) -> None:
        """Take the next block, float64 of shape (frames, 2)."""
        for piece in self._pieces.of(block):
            lines = np.fft.rfft(piece.T * self._window)[:, self._hz]
            power = self._weights * (np.abs(lines) ** 2).sum(axis=0)
            self._sums.append((float(power.sum()), float((power * self._log_hz).sum())))

    def course_hz(self) -> list[float | None]:
        """The middle of each second."""
        least = max((power for power, _ in self._sums), default=0.0) * 10 ** (-HEARD_DB / 10)
        return [math.exp(weighed / power) if power > least else None for power, weighed in self._sums]

    def median_hz(self) -> float | None:
        """The median of all seconds that sound."""
        known = [each for each in self.course_hz() if each is not None]
        return float(np.median(known)) if known else None


@dataclass(frozen=True)
class Figure:
    """One number of a sound: what it is, of which band, and its unit."""

    what: str
    band: str
    unit: str
    value: float | None


class Measures:
    """Level, balance, dynamics, width, brightness and onsets of a stereo stream."""

    def __init__(self, rate_hz: int) -> None:
        self._meter = Meter(rate_hz, 2)
        self._spectrum = ThirdOctaves(rate_hz)
        self._transients = Transients(rate_hz)
        self._brightness = Brightness(rate_hz)
        self.character = Character(rate_hz)
        self.long_term = LongTerm(rate_hz)
        self._rate_hz = rate_hz

    def feed(self, block: Audio) -> None:
        """Take the next block, C-contiguous float64 of shape (frames, 2)."""
        for each in (self._meter, self._spectrum, self._transients, self._brightness):
            each.feed(block)
        self.character.feed(block)
        self.long_term.feed(block)

    def reading(self) -> Reading:
        """Loudness and peaks, as they are before levels are matched."""
        return self._meter.reading()

    def balance_db(self) -> dict[str, float | None]:
        """Each third octave against the integrated loudness: as all are heard once they are equally loud."""
        lufs, levels = self.reading().integrated_lufs, self._spectrum.levels_db()
        highest = max((level for level in levels if level is not None), default=0.0)
        return {
            name: level - lufs if None not in {level, lufs} and level > highest - HEARD_DB else None  # type: ignore[operator]
            for name, level in zip(NOMINAL_HZ, levels, strict=False)
        }

    def brightness_hz(self) -> list[float | None]:
        """The middle of the spectrum in each second."""
        return self._brightness.course_hz()

    def figures(self) -> list[Figure]:
        """Every number that is compared, but for balance and courses."""
        width = stereo_by_band(self._spectrum)
        minutes = self.reading().frames / self._rate_hz / 60
        onsets: Levels = {name: len(found) / minutes for name, found in self._transients.onsets().items()}
        sets: tuple[tuple[str, str, Levels], ...] = (
            ("low end against the whole", "dB", {LOW_END: self._low_end_db()}),
            ("crest factor", "dB", self.character.crest_db()),
            ("short-term range", "dB", self.character.range_db()),
            ("side against mid", "dB", {name: width[name].side_to_mid_db for name in NAMES}),
            ("lost in mono", "dB", {name: width[name].mono_loss_db for name in NAMES}),
            ("brightness", "Hz", {WHOLE: self._brightness.median_hz()}),
            ("onsets", "a minute", onsets),
        )
        return [
            Figure(what, band, unit, value) for what, unit, values in sets for band, value in values.items()
        ]

    def _low_end_db(self) -> float | None:
        pairs = zip(self._spectrum.midbands_hz, self._spectrum.levels_db(), strict=True)
        powers = [(hz, 10 ** (level / 10)) for hz, level in pairs if level is not None]
        whole = sum(power for _, power in powers)
        low = sum(power for hz, power in powers if hz < EDGES_HZ[0])
        return power_db(low / whole) if whole else None
