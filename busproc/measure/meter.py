"""One meter for all that is said about a file's level: loudness, peaks, dynamics and stereo."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np

from busproc.errors import InputError
from busproc.measure.decibels import rounded
from busproc.measure.level import LevelTally
from busproc.measure.loudness import (
    MOMENTARY_TENTHS,
    SHORT_TERM_TENTHS,
    Loudness,
    gated_power,
    loudness_range_lu,
    lufs,
)
from busproc.measure.true_peak import TruePeak

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

LOWEST_RATE_HZ = 8_000
HIGHEST_RATE_HZ = 384_000
_GATING_HOP_CELLS = 10


@dataclass(frozen=True)
class Reading:
    """What a meter read. A value that does not exist is None: level of silence, window longer than the file.

    Attributes
    ----------
    integrated_lufs
        Gated loudness of the whole; 400 ms blocks every 100 ms, an incomplete last one unused.
    momentary_max_lufs, short_term_max_lufs
        The loudest 400 ms and 3 s, ungated, sought every 10 ms.
    loudness_range_lu
        From short-term values every 100 ms; EBU Tech 3342 advises against it for less than a minute.
    true_peak_dbtp, sample_peak_dbfs
        The higher one of the channels.
    rms_dbfs
        Mean power of the channels; a sine reads its own peak (AES17 convention).
    crest_factor_db
        Sample peak over plain RMS, 20 lg(peak / rms): 3.01 dB for a sine, and so 3.01 dB more than the
        difference of the two above.
    correlation
        Of left and right, -1 to 1; None for mono.
    """

    frames: int
    rate_hz: int
    channels: int
    integrated_lufs: float | None
    momentary_max_lufs: float | None
    short_term_max_lufs: float | None
    loudness_range_lu: float | None
    true_peak_dbtp: float | None
    sample_peak_dbfs: float | None
    rms_dbfs: float | None
    crest_factor_db: float | None
    correlation: float | None

    def as_dict(self) -> dict[str, float | None]:
        """Return the values for JSON, rounded to 0.01; the correlation to 0.001."""
        counts: dict[str, float | None] = {
            "frames": self.frames,
            "rate_hz": self.rate_hz,
            "channels": self.channels,
        }
        levels = {
            field.name: rounded(getattr(self, field.name), 3 if field.name == "correlation" else 2)
            for field in fields(self)
            if field.name not in counts
        }
        return counts | levels


@dataclass(frozen=True)
class Series:
    """Loudness over time, a value each 100 ms: when its window ended, and None where that was silent."""

    times_s: list[float]
    lufs: list[float | None]


class Meter:
    """A meter that takes a mono or stereo stream in blocks of any size and can be read at any time.

    The reading is the same to the last bit whatever the sizes of the blocks, and reading it changes nothing.
    What is kept grows by one number per 10 ms (8.6 MB for three hours). Mono counts as one channel: its
    loudness is 3.01 LU under that of the same signal on two.

    Parameters
    ----------
    rate_hz
        8000 to 384000.
    channels
        1 or 2.

    Raises
    ------
    InputError
        For any other rate or number of channels.

    Source: Rec. ITU-R BS.1770-5 (2023); EBU Tech 3341 (2023) and 3342 (2023).

    Examples
    --------
    >>> meter = Meter(48000, channels=2)
    >>> meter.feed(np.full((48000, 2), 0.5))
    >>> round(meter.reading().sample_peak_dbfs, 2)
    -6.02
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
            raise InputError(
                f"audio at {rate_hz} Hz cannot be measured: the rate must be "
                f"{LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz"
            )
        if channels not in {1, 2}:
            raise InputError(
                f"audio of {channels} channels cannot be measured: it must have 1 (mono) or 2 (stereo)"
            )
        self.rate_hz = rate_hz
        self.channels = channels
        self._level = LevelTally()
        self._true_peak = TruePeak(rate_hz)
        self._loudness = Loudness(rate_hz)

    def feed(self, block: NDArray[np.float64]) -> None:
        """Take the next block of shape (frames, channels), full scale 1.0.

        Raises
        ------
        InputError
            If the block has another shape.
        """
        if block.ndim != 2 or block.shape[1] != self.channels:
            raise InputError(
                f"a block of shape {block.shape} was fed to a meter for (frames, {self.channels})"
            )
        stereo = block if self.channels == 2 else np.repeat(block, 2, axis=1)
        stereo = np.ascontiguousarray(stereo, dtype=np.float64)
        self._level.feed(stereo)
        self._true_peak.feed(stereo)
        self._loudness.feed(stereo)

    def reading(self) -> Reading:
        """Read everything as of now.

        Raises
        ------
        InputError
            If what was fed held numbers that are not finite.
        """
        if not self._level.is_finite:
            raise InputError(
                "the audio holds values that are not finite numbers, so it has no level; mend the file"
            )
        momentary = self._powers(MOMENTARY_TENTHS)
        short_term = self._powers(SHORT_TERM_TENTHS)
        return Reading(
            frames=self._level.frames,
            rate_hz=self.rate_hz,
            channels=self.channels,
            integrated_lufs=lufs(gated_power(momentary[::_GATING_HOP_CELLS])),
            momentary_max_lufs=lufs(float(momentary.max(initial=0.0))),
            short_term_max_lufs=lufs(float(short_term.max(initial=0.0))),
            loudness_range_lu=loudness_range_lu(short_term[::_GATING_HOP_CELLS]),
            true_peak_dbtp=self._true_peak.dbtp,
            sample_peak_dbfs=self._level.peak_dbfs,
            rms_dbfs=self._level.rms_dbfs,
            crest_factor_db=self._level.crest_factor_db,
            correlation=self._level.correlation if self.channels == 2 else None,
        )

    def gating_powers(self) -> NDArray[np.float64]:
        """Return the power of each 400 ms block, every 100 ms: what the gates of BS.1770-5 sift."""
        return self._powers(MOMENTARY_TENTHS)[::_GATING_HOP_CELLS]

    def momentary_series(self) -> Series:
        """Return the loudness of 400 ms every 100 ms, from 0.4 s on."""
        return self._series(MOMENTARY_TENTHS)

    def short_term_series(self) -> Series:
        """Return the loudness of 3 s every 100 ms, from 3 s on."""
        return self._series(SHORT_TERM_TENTHS)

    def short_term_95_lufs(self) -> float | None:
        """Return the 95th percentile of the short-term loudness above -70 LUFS, every 100 ms.

        The integrated loudness where there is none of it, as in less than 3 s.
        """
        heard = [value for value in self.short_term_series().lufs if value is not None and value > -70]
        return float(np.percentile(heard, 95)) if heard else self.reading().integrated_lufs

    def _series(self, tenths: int) -> Series:
        powers = self._powers(tenths)[::_GATING_HOP_CELLS]
        return Series(
            [(tenths + i) / 10 for i in range(len(powers))], [lufs(float(power)) for power in powers]
        )

    def _powers(self, tenths: int) -> NDArray[np.float64]:
        """Return the windows' powers, summed over the channels; mono was fed twice and counts once."""
        return self._loudness.window_powers(tenths) * (self.channels / 2)


def loudness_of(meters: Iterable[Meter]) -> float | None:
    """Integrated loudness of several sounds as one programme, one after the other; None for silence."""
    powers = [meter.gating_powers() for meter in meters]
    return lufs(gated_power(np.concatenate(powers))) if powers else None


def measure(audio: NDArray[np.float64] | Iterable[NDArray[np.float64]], rate_hz: int) -> Reading:
    """Read an array (frames, channels), or blocks of it in order.

    Raises
    ------
    InputError
        If there is no block at all, or for what `Meter` refuses.
    """
    meter: Meter | None = None
    for block in [audio] if isinstance(audio, np.ndarray) else audio:
        meter = meter or Meter(rate_hz, block.shape[-1])
        meter.feed(block)
    if meter is None:
        raise InputError("there is nothing to measure: no block of audio was given")
    return meter.reading()
