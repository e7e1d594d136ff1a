"""Harmonics that processing adds to a sine."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busproc.errors import InputError
from busproc.measure.decibels import power_db

Sine = Callable[[int, float], NDArray[np.float64]]
"""Gives the processed sound `(frames,)` or `(frames, 2)` of a sine of so many Hz and dBFS."""

ORDERS = range(2, 11)
FREQ_HZ = 997
"""The tone of AES17 (from memory). A prime, so harmonics folded back at Nyquist fall beside the others."""


@dataclass(frozen=True)
class Harmonics:
    """What was found of a sine and its harmonics.

    Attributes
    ----------
    freq_hz
        Frequency of the sine.
    fundamental_dbfs
        Level at that frequency, 0 dBFS for an amplitude of 1; None for silence.
    harmonics_db
        Second to tenth against the fundamental; None above Nyquist and under -300 dB. Those of a bare sine in
        double precision lie near -240 dB.
    thd_db
        All of them together against the fundamental.
    """

    freq_hz: int
    fundamental_dbfs: float | None
    harmonics_db: tuple[float | None, ...]
    thd_db: float | None


def harmonics(sine: Sine, rate_hz: int, level_dbfs: float, freq_hz: int = FREQ_HZ) -> Harmonics:
    """Measure the harmonics of a sine in the last second of what comes back.

    A second holds a whole number of its cycles, so no window is needed. Of two channels the mean power
    counts.

    Parameters
    ----------
    sine
        What makes and processes the sine. It should give what the processing needs to settle, and a second.
    rate_hz
        Frames a second.
    level_dbfs
        Peak of the sine. On both channels a sine of 997 Hz at -20 dBFS has -20 LUFS (BS.1770-5).
    freq_hz
        Its frequency, a whole number.

    Raises
    ------
    InputError
        If less than a second comes back, or the sine does not lie under Nyquist.
    """
    if not 0 < freq_hz < rate_hz / 2:
        raise InputError(
            f"a sine of {freq_hz} Hz does not fit a rate of {rate_hz} Hz; take one under half of it"
        )
    sound = sine(freq_hz, level_dbfs)
    if len(sound) < rate_hz:
        raise InputError(f"harmonics need a second of sound, {rate_hz} frames, and {len(sound)} came back")
    lines = np.fft.rfft(sound[-rate_hz:].reshape(rate_hz, -1), axis=0)
    powers = (np.abs(lines * 2 / rate_hz) ** 2).mean(axis=1)
    fundamental = float(powers[freq_hz])
    orders = [freq_hz * order for order in ORDERS]
    shares = [float(powers[hz]) / fundamental if fundamental and hz < rate_hz / 2 else 0.0 for hz in orders]
    return Harmonics(
        freq_hz, power_db(fundamental), tuple(power_db(share) for share in shares), power_db(sum(shares))
    )
