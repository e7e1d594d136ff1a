"""The one gain into the final limiter that brings a record, or its loudest song, to its loudness."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from busproc.album.settings import Loudness
from busproc.chain import Chain
from busproc.delivery.limited import limited
from busproc.errors import RenderError
from busproc.files import atomic_files
from busproc.measure.meter import Meter
from busproc.progress import Progress
from busproc.scratch import Scratch
from busproc.song import Song
from busproc.stages.limiter import Limiter
from busproc.through import entrance_of, through

WITHIN_LU = 0.02
ALLOWED_LU = 0.1
TRIES = 6
MOST_GAIN_DB = 24.0


def find_gain_db(
    loudness_at: Callable[[float], float | None], wanted: Loudness, ceiling_dbtp: float
) -> float:
    """Find the gain, the same for all songs.

    Parameters
    ----------
    loudness_at
        Gives the loudness that counts (LUFS; None for silence) behind a gain in dB.
    wanted
        What the loudness is to be.
    ceiling_dbtp
        Of the limiters, for the error.

    Raises
    ------
    RenderError
        When the limiters cannot bring it there.
    """
    gain_db, best = 0.0, None
    for _ in range(TRIES):
        found = loudness_at(gain_db)
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
            f"target_lufs {wanted.target_lufs:g} cannot be met under {ceiling_dbtp:g} dBTP: the "
            f"best value found is {best[2]:.1f} LUFS"
        )
    return best[1]


def meter_limited(
    song: Song, body: Chain, limiter: Limiter, gain_db: float, kept: Path, progress: Progress
) -> Meter:
    """Meter a song as it leaves its final limiter, some gain into it.

    Parameters
    ----------
    song, body, limiter
        The song, its mix-bus chain without the limiter, and that.
    gain_db
        The gain.
    kept
        File for the song as it reaches the limiter: made where it is missing, for the next gain to try.
    progress
        Called now and then.
    """
    if not kept.exists():
        with atomic_files([kept], overwrite=True) as (part,):
            _before_limiter(song, body, kept.parent, progress).save(part)
    reached, louder = Scratch((2,), saved=kept), Scratch((2,), kept.parent)
    for _, block in reached.blocks():
        louder.append(block * 10 ** (gain_db / 20))
    progress(f"limiting it {gain_db:+.1f} dB louder", 0.5)
    meter = Meter(song.rate_hz, 2)
    for _, block in limited(louder, limiter, song.rate_hz).blocks():
        meter.feed(block)
    return meter


def _before_limiter(song: Song, body: Chain, folder: Path, progress: Progress) -> Scratch:
    def announce(what: str) -> None:
        progress(what, 0.0)

    entrance = entrance_of(song, folder, announce, [body])
    sound = Scratch((2,), folder)
    for block in through(body.placed(), entrance, announce=announce).left.blocks():
        sound.append(block)
    return sound
