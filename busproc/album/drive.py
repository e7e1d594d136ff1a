"""How hard each song enters the shared chain, and how loud it leaves: trims, one gain, the final limiter."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from busproc.album.loading import Record, Track
from busproc.album.settings import Calibration
from busproc.chain import BLOCK_FRAMES, Chain
from busproc.errors import RenderError
from busproc.facts import find_facts
from busproc.measure.meter import Meter
from busproc.mixing import start_graph
from busproc.progress import Progress
from busproc.routing import plan_graph
from busproc.run import stream
from busproc.song import Song
from busproc.stages.gain import Gain
from busproc.stages.limiter import Limiter

CALIBRATION, UNDONE, RECORD_GAIN = "calibration", "calibration undone", "loudness of the record"
ADDED = {CALIBRATION, UNDONE, RECORD_GAIN}
"""Names of the stages that a record adds to its chain."""

MOST_TRIM_DB = 24.0


@dataclass(frozen=True)
class Drive:
    """What was measured at a song's entrance to the chain, and the trim that follows."""

    measured: float | None
    trim_db: float


def measure_entrance(song: Song, by: str, progress: Progress) -> float | None:
    """Measure a song at the entrance of its mix bus, as `Calibration.by` says."""
    bare, meter = song.with_mix_bus(Chain()), Meter(song.rate_hz, 2)
    facts = find_facts(bare, BLOCK_FRAMES, lambda what: progress(what, 0.0))
    plan = plan_graph(bare, facts, stages=[])
    at = 0
    for block in stream(plan, start_graph(plan, watched=False), BLOCK_FRAMES):
        meter.feed(np.ascontiguousarray(block[:, 0]))
        at += len(block)
        progress("measuring its drive", at / song.frames)
    if by == "short_term_95":
        return meter.short_term_95_lufs()
    reading = meter.reading()
    return reading.integrated_lufs if by == "integrated" else reading.true_peak_dbtp


def trims(measured: Sequence[float | None], calibration: Calibration | None) -> list[Drive]:
    """The trims that make songs enter alike: at the drive that was asked for, or the record's median."""
    if calibration is None:
        return [Drive(value, 0.0) for value in measured]
    sounding = [value for value in measured if value is not None]
    wanted = calibration.drive_lufs
    if wanted is None:
        wanted = statistics.median(sounding) if sounding else 0.0
    return [Drive(value, 0.0 if value is None else round(wanted - value, 4)) for value in measured]


def refuse_wide(tracks: Sequence[Track], drives: Sequence[Drive]) -> None:
    """Refuse trims that no mix should need.

    Raises
    ------
    RenderError
        Naming every song that would need more than 24 dB.
    """
    wide = [
        f"{track.song.session.song}: enters the chain at {drive.measured:.1f}, and would need "
        f"{drive.trim_db:+.1f} dB, more than {MOST_TRIM_DB:g}; check its stems, or say drive_lufs"
        for track, drive in zip(tracks, drives, strict=True)
        if abs(drive.trim_db) > MOST_TRIM_DB
    ]
    if wide:
        raise RenderError("\n".join(wide))


def in_record(chain: Chain, drive: Drive, calibration: Calibration | None, gain_db: float = 0.0) -> Chain:
    """The shared chain as one song runs it: trim in, chain, trim undone, loudness gain, final limiter."""
    body, final = parted(chain)
    stages = list(body.stages)
    if drive.trim_db:
        stages.insert(0, Gain(name=CALIBRATION, gain_db=drive.trim_db))
        if calibration is not None and calibration.undo:
            stages.append(Gain(name=UNDONE, gain_db=-drive.trim_db))
    if gain_db:
        stages.append(Gain(name=RECORD_GAIN, gain_db=gain_db))
    return chain.model_copy(update={"stages": (*stages, *([final] if final else []))})


def parted(chain: Chain) -> tuple[Chain, Limiter | None]:
    """A chain without its final limiter, and that."""
    final = chain.stages[-1] if chain.stages else None
    if isinstance(final, Limiter):
        return chain.model_copy(update={"stages": chain.stages[:-1]}), final
    return chain, None


def as_on_record(record: Record, track: Track, drive: Drive, gain_db: float) -> Song:
    """A song as it is delivered: with the chain that it runs on this record, and the record's tags."""
    chain = in_record(track.chain, drive, record.album.calibrate, gain_db)
    wanted = record.album.loudness
    if wanted is not None and wanted.how == "per_song":
        final = chain.stages[-1].model_copy(update={"target_lufs": wanted.target_lufs})
        chain = chain.model_copy(update={"stages": (*chain.stages[:-1], final)})
    song = track.song.with_mix_bus(chain)
    tags = song.session.tags.model_copy(
        update={"album": song.session.tags.album or record.album.album, "track_number": track.number}
    )
    return replace(song, session=song.session.model_copy(update={"tags": tags}))
