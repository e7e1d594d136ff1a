"""The graph of a song at work: blocks through every bus in order, and what became of them for the log."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from busproc.kernels import moves
from busproc.measure.meter import Meter
from busproc.routing import BusPlan, Feed, GraphPlan
from busproc.session import Point, Stem, Tap
from busproc.sources import StemFile
from busproc.stages.base import Audio
from busproc.stages.series import SeriesState, process_series, record_series, start_series
from busproc.stages.treatments import DelayLine


@dataclass
class BusState:
    """What changes in one bus: chain, waiting paths, meter of what leaves."""

    series: SeriesState
    waits: list[DelayLine]
    columns: list[NDArray[np.int64]]
    key_waits: dict[str, DelayLine]
    source_wait: DelayLine
    meter: Meter


@dataclass
class GraphState:
    """What changes in a graph: its buses, and the frame that comes next."""

    buses: list[BusState]
    watched: bool
    at_frame: int = 0


def start_graph(plan: GraphPlan, *, watched: bool = True) -> GraphState:
    """Make a fresh state; without `watched` nothing is kept for the log, and no record can be made."""
    columns = {bus.bus.name: bus.columns for bus in plan.buses}
    return GraphState(
        [
            BusState(
                series=start_series(bus.series, bus.columns, watched=watched),
                waits=[_wait(bus, feed, (columns[feed.source], 2)) for feed in bus.feeds],
                columns=[np.array(feed.columns, dtype=np.int64).reshape(-1, 2) for feed in bus.feeds],
                key_waits={name: _wait(bus, feed, (2,)) for name, feed in bus.keys.items()},
                source_wait=DelayLine(bus.arrival_frames, (2,)),
                meter=Meter(plan.song.rate_hz, 2),
            )
            for bus in plan.buses
        ],
        watched=watched,
    )


def _wait(bus: BusPlan, feed: Feed, shape: tuple[int, ...]) -> DelayLine:
    return DelayLine(bus.arrival_frames - feed.late_frames, shape)


def process_graph(
    plan: GraphPlan,
    state: GraphState,
    frames: int,
    stems: Mapping[str, Audio],
) -> Audio:
    """Run one block.

    Parameters
    ----------
    plan, state
        From `plan_graph` and `start_graph`.
    frames
        Length of the block.
    stems
        Sound of each stem in the graph that is not muted, `(frames, 2)`.

    Returns
    -------
    ndarray
        What leaves the last bus, `(frames, columns, 2)`, `latency_frames` late.
    """
    taps: dict[tuple[str, Tap], Audio] = {}
    out = np.zeros((frames, 1, 2))
    for bus, inner in zip(plan.buses, state.buses, strict=True):
        name = bus.bus.name
        if bus.bus.is_muted:
            out = np.zeros((frames, bus.columns, 2))
            taps[name, "before_chain"] = taps[name, "after_chain"] = out
            continue
        if name in stems:
            total = inner.source_wait.push(stems[name])[:, None]
        else:
            total = _summed(plan, state, bus, inner, taps, frames)
        keys = {
            key: inner.key_waits[key].push(np.ascontiguousarray(taps[feed.source, feed.tap][:, 0]))
            for key, feed in bus.keys.items()
        }
        out = process_series(bus.series, inner.series, total, keys)
        out = _faded(plan, bus, out, state.at_frame)
        if state.watched:
            inner.meter.feed(np.ascontiguousarray(out[:, 0]))
        taps[name, "before_chain"], taps[name, "after_chain"] = total, out
    state.at_frame += frames
    return out


def _summed(
    plan: GraphPlan,
    state: GraphState,
    bus: BusPlan,
    inner: BusState,
    taps: Mapping[tuple[str, Tap], Audio],
    frames: int,
) -> Audio:
    """All that feeds a bus, each column where it belongs."""
    total = np.zeros((frames, bus.columns, 2))
    for feed, line, columns in zip(bus.feeds, inner.waits, inner.columns, strict=True):
        first_frame = state.at_frame - feed.late_frames
        gain = _level(feed.level_db, feed.ride, plan.song.rate_hz, first_frame, frames)
        moves.add_columns(total, line.push(_scaled(taps[feed.source, feed.tap], gain)), columns)
    return total


def record_graph(plan: GraphPlan, state: GraphState) -> list[dict[str, Any]]:
    """Tell what every bus did, in the order of the session file."""
    at_work = {bus.bus.name: (bus, inner) for bus, inner in zip(plan.buses, state.buses, strict=True)}
    return [
        {
            "place": bus.bus.place,
            "fed_by": _fed_by(plan, bus),
            "moved": _moves(plan, bus),
            "arrival_frames": bus.arrival_frames,
            "latency_frames": bus.series.latency_frames,
            "left_at": inner.meter.reading().as_dict(),
            "decisions": record_series(bus.series, inner.series),
        }
        for bus, inner in (at_work[name] for name in plan.song.buses if name in at_work)
        if not (bus.bus.is_muted or bus.bus.is_spare)
    ]


def _moves(plan: GraphPlan, bus: BusPlan) -> list[str]:
    """What was done to a bus beside its chain, in words and in the order in which it was done."""
    fader, told = bus.bus.fader, []
    if isinstance(fader, Stem):
        told += _played(plan.song.files[bus.bus.name])
        told += [f"trim {fader.gain_db:+g} dB"] if fader.gain_db else []
        told += ["polarity inverted"] if fader.polarity == "inverted" else []
        told += [f"fade in {fader.fade_in_ms:g} ms"] if fader.fade_in_ms else []
        told += [f"fade out {fader.fade_out_ms:g} ms"] if fader.fade_out_ms else []
        told += _aligned(plan.song.files[bus.bus.name])
    told += [f"fader {fader.level_db:+g} dB"] if fader.level_db else []
    if fader.ride:
        levels = [point.level_db for point in fader.ride]
        told.append(f"ridden {min(levels):+g} to {max(levels):+g} dB")
    if isinstance(fader, Stem) and fader.pan:
        told.append(f"panned {abs(fader.pan):.0%} {'right' if fader.pan > 0 else 'left'}")
    return told


def _played(file: StemFile) -> list[str]:
    """What is played in place of a stem's file."""
    played = file.played
    if played is None:
        return []
    moved = [abs(each.shift_frames) for each in played.strokes if each.shift_frames is not None]
    samples = len({each.sample for each in played.strokes})
    hits = f"{len(played.strokes)} hits in {played.inputs[0][0]}"
    told = f"{hits} played by {samples} sample{'s' * (samples != 1)}"
    told += f", {played.skipped} too strong or too weak for it" if played.skipped else ""
    if moved:
        ms = 1000 * float(np.median(moved)) / file.info.rate_hz
        told += f"; {len(moved)} moved by {ms:.3f} ms in the median to add up with the recording"
    if any(each.gain < 0 for each in played.strokes):
        told += f"; {sum(each.gain < 0 for each in played.strokes)} turned over"
    return [told]


def _aligned(file: StemFile) -> list[str]:
    """How a stem was moved and turned against another of the same source."""
    align, frames, told = file.stem.align, file.delay_frames, []
    if frames:
        cut = f"; cut {file.cut_frames} before the song's start" if file.cut_frames else ""
        way = "later" if frames > 0 else "earlier"
        told.append(f"aligned {abs(align.delay_ms):g} ms {way} ({abs(frames):g} frames{cut})")
    turns = [f"{one.freq_hz:g} Hz" + (f" q {one.q:g}" if one.q else "") for one in align.rotate]
    return told + ([f"phase turned by all-pass at {' and '.join(turns)}"] if turns else [])


def _faded(plan: GraphPlan, bus: BusPlan, out: Audio, at_frame: int) -> Audio:
    """What leaves a bus: its chain's output at the level of its fader, in its place."""
    late = bus.latency_frames("after_chain")
    fader = bus.fader
    out = _scaled(out, _level(fader.level_db, fader.ride, plan.song.rate_hz, at_frame - late, len(out)))
    return out if bus.pan == (1.0, 1.0) else np.stack([out[..., k] * bus.pan[k] for k in (0, 1)], axis=-1)


def _scaled(sound: Audio, gain: Audio | float) -> Audio:
    return sound if isinstance(gain, float) and gain == 1.0 else sound * gain


def _fed_by(plan: GraphPlan, bus: BusPlan) -> list[str]:
    sources = {feed: plan.bus(feed.source).bus for feed in bus.feeds}
    heard = [feed for feed, source in sources.items() if not (source.is_muted or source.is_spare)]
    sends = [f"{feed.source} ({feed.tap}, {feed.level_db:+g} dB)" for feed in heard if feed.is_send]
    return [feed.source for feed in heard if not feed.is_send] + sends


def _level(
    level_db: float, ride: tuple[Point, ...], rate_hz: int, first_frame: int, frames: int
) -> Audio | float:
    gain = 10 ** (level_db / 20) if level_db else 1.0
    if not ride:
        return gain
    times = np.array([point.at_s for point in ride])
    levels = np.array([point.level_db for point in ride])
    return gain * moves.ride_gain(times, levels, float(rate_hz), first_frame, frames)[:, None, None]
