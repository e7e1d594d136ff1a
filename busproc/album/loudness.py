"""The one gain into the final limiter that brings a record, or its loudest song, to its loudness."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from busproc.album.settings import Loudness
from busproc.delivery.limited import limited
from busproc.errors import RenderError
from busproc.measure.meter import Meter, loudness_of
from busproc.scratch import Scratch
from busproc.stages.limiter import Limiter

WITHIN_LU = 0.02
ALLOWED_LU = 0.1
TRIES = 6
MOST_GAIN_DB = 24.0


def find_gain_db(
    sounds: Sequence[Scratch], rates_hz: Sequence[int], limiters: Sequence[Limiter], wanted: Loudness
) -> float:
    """Find the gain, the same for all songs.

    Parameters
    ----------
    sounds, rates_hz, limiters
        Every song as it reaches its final limiter, its rate, and that limiter.
    wanted
        What the loudness is, and of what.

    Raises
    ------
    RenderError
        When the limiters cannot bring it there.
    """
    songs = list(zip(sounds, rates_hz, limiters, strict=True))
    gain_db, best = 0.0, None
    for _ in range(TRIES):
        found = _loudness([_limited(*song, gain_db) for song in songs], wanted)
        if found is None:
            return 0.0
        off = wanted.target_lufs - found
        if abs(off) < WITHIN_LU:
            return gain_db
        if best is None or abs(off) < abs(best[0]):
            best = off, gain_db, found
        gain_db = round(min(max(gain_db + off, -MOST_GAIN_DB), MOST_GAIN_DB), 4)
    assert best is not None
    if abs(best[0]) > ALLOWED_LU:
        raise RenderError(
            f"target_lufs {wanted.target_lufs:g} cannot be met under {limiters[0].ceiling_dbtp:g} dBTP: the "
            f"best value found is {best[2]:.1f} LUFS"
        )
    return best[1]


def _limited(sound: Scratch, rate_hz: int, limiter: Limiter, gain_db: float) -> Meter:
    louder = Scratch((2,), sound.folder)
    for _, block in sound.blocks():
        louder.append(block * 10 ** (gain_db / 20))
    meter = Meter(rate_hz, 2)
    for _, block in limited(louder, limiter, rate_hz).blocks():
        meter.feed(np.ascontiguousarray(block))
    return meter


def _loudness(meters: Sequence[Meter], wanted: Loudness) -> float | None:
    if wanted.how == "whole_record":
        return loudness_of(meters)
    each = [value for meter in meters if (value := meter.reading().integrated_lufs) is not None]
    return max(each, default=None)
