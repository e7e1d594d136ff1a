"""Two sounds of one source: how late the other is, which way up, and what their sum gains by undoing it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from busproc.errors import InputError
from busproc.measure.alignment_delay import Delay, Polarity, find_delay
from busproc.measure.alignment_spectra import Held, Sound, loud_windows, spectra_of
from busproc.measure.alignment_sum import Notch, SumBand, first_notch, gained_db, sum_bands

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Audio = NDArray[np.float64]

Verdict = Literal["align", "silent", "unknown", "room", "no gain"]

LONGEST_MS = 20.0
TEMPERATURE_C = 20.0
KNOWN, MOST_ERROR_FRAMES = 0.9, 0.5
"""Confidence from which on, and error up to which, a delay is told."""
HELPS_DB, HELPS_A_BAND_DB = 0.3, 1.0
"""A correction helps if the sum gains so much in the mean of its third octaves, or in one. Ours."""
ROOM_DB, ROOM_MS = -3.0, 5.0
"""Direct against reverberant sound, and delay (1.7 m), from which on distance is the point. Ours."""


@dataclass(frozen=True)
class Aligned:
    """What there is to know of a pair.

    Attributes
    ----------
    verdict
        "align", or why not: one is "silent", the delay is "unknown", it is that of a "room", or there is "no
        gain" in the sum.
    why
        The same in a sentence.
    confidence
        0 to 1: of so many constructed pairs that look like this one, the delay was right within a frame, and
        the polarity too.
    delay_frames
        How late the other is; negative where it is early. To 0.001 frames. This and all that follows is
        None, or empty, where the pair is silent or unknown.
    error_frames
        Standard deviation of that; in reverberation it can be up to three times as much.
    polarity
        -1 where the other is upside down.
    path_cm
        What sound travels in that time.
    direct_to_reverberant_db
        Of the other, where the one is dry; of both together else. None where there is next to none.
    notch
        First notch of the comb in their sum.
    bands
        What the sum gains and loses, by third octave.
    """

    verdict: Verdict
    why: str
    confidence: float
    delay_frames: float | None = None
    error_frames: float | None = None
    polarity: Polarity | None = None
    path_cm: float | None = None
    direct_to_reverberant_db: float | None = None
    notch: Notch | None = None
    bands: tuple[SumBand, ...] = ()


def speed_of_sound_m_s(temperature_c: float) -> float:
    """Return the speed of sound in air.

    Source: ISO 9613-1:1993, 343.2 m/s times the root of the temperature in K over 293.15 K (from memory).

    >>> round(speed_of_sound_m_s(0), 1)
    331.3
    """
    return 343.2 * math.sqrt((temperature_c + 273.15) / 293.15)


def align_pair(
    one: Sound | Audio,
    other: Sound | Audio,
    rate_hz: int,
    *,
    temperature_c: float = TEMPERATURE_C,
    longest_ms: float = LONGEST_MS,
) -> Aligned:
    """Find how late the other sound is against the one, and which way up.

    Up to 60 s are looked at, where both are loud; memory does not grow with the length of the sounds.

    Parameters
    ----------
    one, other
        Sounds on the same time line: float64 `(frames,)`, or `(frames, 2)`, of which the mid counts.
    rate_hz
        Frames a second.
    temperature_c
        Of the air, for the path.
    longest_ms
        Longest delay that is looked for, 1 to 100 ms.

    Raises
    ------
    InputError
        For a sound of another shape, or a longest delay out of bounds.
    """
    if not 1 <= longest_ms <= 100:
        raise InputError(f"the longest delay is 1 to 100 ms, not {longest_ms:g} ms")
    one, other = (Held(sound) if isinstance(sound, np.ndarray) else sound for sound in (one, other))
    windows = loud_windows(one, other, rate_hz)
    if not windows.starts:
        return Aligned("silent", "there is no time at which both sound", 0.0)
    now = spectra_of(one, other, rate_hz, windows)
    delay = find_delay(one, other, now, round(longest_ms / 1000 * rate_hz))
    if delay.confidence < KNOWN:
        return Aligned("unknown", _UNKNOWN, delay.confidence)
    if delay.error_frames > MOST_ERROR_FRAMES:
        return Aligned("unknown", _DULL.format(delay.error_frames), delay.confidence)
    bands = sum_bands(now, delay)
    return Aligned(
        *_verdict(delay, bands, rate_hz),
        delay.confidence,
        round(delay.frames, 3) + 0.0,
        delay.error_frames,
        delay.polarity,
        100 * speed_of_sound_m_s(temperature_c) * delay.frames / rate_hz,
        delay.direct_to_reverberant_db,
        first_notch(now, delay),
        bands,
    )


_UNKNOWN = "too little in common, or alike at several delays: which one is right cannot be known"
_DULL = "what both have in common is too dull: the delay can be told to {:.1f} frames only"


def _verdict(delay: Delay, bands: tuple[SumBand, ...], rate_hz: int) -> tuple[Verdict, str]:
    late_ms = 1000 * abs(delay.frames) / rate_hz
    direct_db = delay.direct_to_reverberant_db
    if direct_db is not None and direct_db < ROOM_DB and late_ms >= ROOM_MS:
        return "room", (
            f"distance is the point: {late_ms:.1f} ms apart, and the reverberation is "
            f"{-direct_db:.1f} dB over the direct sound"
        )
    mean_db, highest_db = gained_db(bands)
    gains = f"{mean_db:+.2f} dB in the mean of its bands, {highest_db:+.2f} dB in the best"
    if mean_db < HELPS_DB and highest_db < HELPS_A_BAND_DB:
        return "no gain", f"the sum would gain too little: {gains}"
    return "align", f"the sum gains {gains}"
