"""How hard each song enters the shared chain, and how loud it leaves: trims, one gain, the final limiter."""

from __future__ import annotations

import statistics
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from busproc.album.loading import Track
from busproc.album.settings import Album, Calibration
from busproc.chain import BLOCK_FRAMES, Chain
from busproc.errors import RenderError
from busproc.facts import Found, find_facts
from busproc.measure.meter import Meter
from busproc.mixing import start_graph
from busproc.routes import MIX_BUS
from busproc.routing import plan_graph
from busproc.run import stream
from busproc.song import Song
from busproc.stages.gain import Gain
from busproc.stages.limiter import Limiter
from busproc.stages.series import Placed

Announce = Callable[[str], None]
Audio = NDArray[np.float64]

MOST_TRIM_DB = 24.0


@dataclass(frozen=True)
class Drive:
    """What was measured at a song's entrance to the chain, and the trim that follows."""

    measured: float | None
    trim_db: float


def find_drives(tracks: Sequence[Track], album: Album, announce: Announce) -> list[Drive]:
    """Measure every song at the entrance of the mix bus, and find the trims that make them alike.

    Raises
    ------
    RenderError
        When a song would need more than 24 dB.
    """
    measured = [_entrance(track, album.calibrate, announce) for track in tracks]
    if album.calibrate is None:
        return [Drive(value, 0.0) for value in measured]
    sounding = [value for value in measured if value is not None]
    wanted = album.calibrate.drive_lufs
    if wanted is None and sounding:
        wanted = statistics.median(sounding)
    drives = [Drive(value, 0.0 if value is None else round((wanted or 0.0) - value, 4)) for value in measured]
    for track, drive in zip(tracks, drives, strict=True):
        if abs(drive.trim_db) > MOST_TRIM_DB:
            raise RenderError(
                f"{track.song.session.song}: enters the chain at {drive.measured:.1f}, and would need "
                f"{drive.trim_db:+.1f} dB, more than {MOST_TRIM_DB:g}; check its stems, or say drive_lufs"
            )
    return drives


def in_record(chain: Chain, drive: Drive, calibration: Calibration | None, gain_db: float = 0.0) -> Chain:
    """The shared chain as one song runs it: trim in, chain, trim undone, loudness gain, final limiter."""
    body, final = _parted(chain)
    stages = list(body)
    if drive.trim_db:
        stages.insert(0, Gain(name="calibration", gain_db=drive.trim_db))
        if calibration is not None and calibration.undo:
            stages.append(Gain(name="calibration undone", gain_db=-drive.trim_db))
    if gain_db:
        stages.append(Gain(name="loudness of the record", gain_db=gain_db))
    return chain.model_copy(update={"stages": (*stages, *final)})


def on_mix_bus(song: Song, chain: Chain) -> Song:
    """A song with another chain on its mix bus."""
    buses = {**song.buses, MIX_BUS: replace(song.buses[MIX_BUS], chain=chain)}
    return replace(song, buses=buses)


def before_limiter(track: Track, chain: Chain, announce: Announce) -> Iterator[Audio]:
    """The song as it reaches the final limiter, in blocks `(frames, 2)`."""
    body, _ = _parted(chain)
    song = on_mix_bus(track.song, chain.model_copy(update={"stages": body}))
    facts = find_facts(song, BLOCK_FRAMES, announce)
    yield from _heard(song, facts, song.buses[MIX_BUS].chain.placed())


def _parted(chain: Chain) -> tuple[tuple[object, ...], tuple[object, ...]]:
    """A chain without its final limiter, and that."""
    if chain.stages and isinstance(chain.stages[-1], Limiter):
        return chain.stages[:-1], chain.stages[-1:]
    return chain.stages, ()


def _entrance(track: Track, calibration: Calibration | None, announce: Announce) -> float | None:
    """What a calibration measures, at the entrance of the mix bus."""
    song = on_mix_bus(track.song, Chain())
    meter = Meter(song.rate_hz, 2)
    for block in _heard(song, find_facts(song, BLOCK_FRAMES, announce), []):
        meter.feed(block)
    by = calibration.by if calibration else "short_term_95"
    reading = meter.reading()
    if by != "short_term_95":
        return reading.integrated_lufs if by == "integrated" else reading.true_peak_dbtp
    heard = [value for value in meter.short_term_series().lufs if value is not None and value > -70]
    return float(np.percentile(heard, 95)) if heard else reading.integrated_lufs


def _heard(song: Song, facts: Found, stages: Placed) -> Iterator[Audio]:
    """The mix bus behind some stages, in a pass that keeps nothing."""
    plan = plan_graph(song, facts, end=MIX_BUS, stages=stages)
    for block in stream(plan, start_graph(plan, watched=False), BLOCK_FRAMES):
        yield np.ascontiguousarray(block[:, 0])
