"""The graph of a song at work: every bus in order, every path delayed so that all arrive together.

A bus sums what feeds it (in the order of the session file), runs its chain, then its fader. Each path
into it waits for the latest one; a key waits until the sound it steers has come as far. `before_chain`
taps the sum, `after_chain` what leaves the fader.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from busproc.kernels import moves
from busproc.measure.meter import Meter
from busproc.routes import MIX_BUS, Bus
from busproc.session import Point, Ridden, Stem, Tap
from busproc.song import Song
from busproc.stages.base import Audio, Context, Facts
from busproc.stages.gain import pan_gains
from busproc.stages.series import (
    Placed,
    SeriesPlan,
    SeriesState,
    plan_series,
    process_series,
    record_series,
    start_series,
)
from busproc.stages.treatments import DelayLine


@dataclass(frozen=True)
class Feed:
    """A path from one bus into another, or into its keys."""

    source: str
    tap: Tap
    level_db: float = 0.0
    ride: tuple[Point, ...] = ()
    is_send: bool = False


@dataclass(frozen=True)
class BusPlan:
    """A bus, planned: what feeds it, how late it is at its entrance and after its chain."""

    bus: Bus
    fader: Ridden
    pan: tuple[float, float]
    feeds: tuple[Feed, ...]
    keys: dict[str, Feed]
    series: SeriesPlan
    arrival_frames: int

    def latency_frames(self, tap: Tap) -> int:
        """How late the sound is at a tap."""
        return self.arrival_frames + (self.series.latency_frames if tap == "after_chain" else 0)


@dataclass(frozen=True)
class GraphPlan:
    """All buses in the order in which they run; the last one is listened to."""

    song: Song
    buses: tuple[BusPlan, ...]

    @property
    def latency_frames(self) -> int:
        """How late the end of the graph is."""
        return self.buses[-1].latency_frames("after_chain")

    def bus(self, name: str) -> BusPlan:
        """A bus by its name."""
        return next(bus for bus in self.buses if bus.bus.name == name)

    @property
    def tail_frames(self) -> int:
        """How long the song may ring on after its last stem."""
        tails: dict[str, int] = {}
        for plan in self.buses:
            longest = max((tails[feed.source] for feed in plan.feeds), default=0)
            tails[plan.bus.name] = longest + plan.series.tail_frames
        return tails[self.buses[-1].bus.name]


@dataclass
class BusState:
    """What changes in one bus: chain, waiting paths, meter of what leaves."""

    series: SeriesState
    waits: list[DelayLine]
    key_waits: dict[str, DelayLine]
    source_wait: DelayLine
    meter: Meter


@dataclass
class GraphState:
    """What changes in a graph: its buses, and the frame that comes next."""

    lanes: int
    buses: list[BusState]
    at_frame: int = 0


def plan_graph(song: Song, facts: Facts, *, end: str = MIX_BUS, stages: Placed | None = None) -> GraphPlan:
    """Plan every bus that is heard at `end`.

    Parameters
    ----------
    song
        What to plan.
    facts
        What earlier passes have measured, by place.
    end
        Name of the last bus.
    stages
        For a measuring pass: the first few stages of that bus in place of its chain and fader.
    """
    needed = _ancestors(song, end, stages)
    planned: dict[str, BusPlan] = {}
    for name in song.order:
        if name not in needed:
            continue
        bus = song.buses[name]
        placed = stages if name == end and stages is not None else bus.chain.placed()
        feeds = tuple(_feeds(song, bus))
        keys = {key.name: Feed(key.source, key.tap) for _, stage in placed for _, key in stage.key_inputs()}
        paths = [*feeds, *keys.values()]
        arrival = max((planned[path.source].latency_frames(path.tap) for path in paths), default=0)
        series = plan_series(placed, Context(song.rate_hz, bus.place, facts, arrival))
        measured = name == end and stages is not None
        fader, pan = (Ridden(), (1.0, 1.0)) if measured else (bus.fader, _pan(song, bus))
        planned[name] = BusPlan(bus, fader, pan, feeds, keys, series, arrival)
    return GraphPlan(song, tuple(planned.values()))


def start_graph(plan: GraphPlan, lanes: int = 1) -> GraphState:
    """Make a fresh state for lane 0 and any further lanes."""
    by_name = {bus.bus.name: bus for bus in plan.buses}

    def wait(bus: BusPlan, feed: Feed, shape: tuple[int, ...]) -> DelayLine:
        return DelayLine(bus.arrival_frames - by_name[feed.source].latency_frames(feed.tap), shape)

    return GraphState(
        lanes,
        [
            BusState(
                series=start_series(bus.series, lanes),
                waits=[wait(bus, feed, (lanes, 2)) for feed in bus.feeds],
                key_waits={name: wait(bus, feed, (2,)) for name, feed in bus.keys.items()},
                source_wait=DelayLine(bus.arrival_frames, (2,)),
                meter=Meter(plan.song.rate_hz, 2),
            )
            for bus in plan.buses
        ],
    )


def process_graph(
    plan: GraphPlan,
    state: GraphState,
    frames: int,
    stems: Mapping[str, Audio],
    lane_of: Mapping[str, int] | None = None,
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
    lane_of
        Lane (1 and up) that carries a stem's contribution beside the bus in lane 0.

    Returns
    -------
    ndarray
        What leaves the last bus, `(frames, lanes, 2)`, `latency_frames` late.
    """
    silence = np.zeros((frames, state.lanes, 2))
    taps: dict[tuple[str, Tap], Audio] = {}
    out = silence
    for bus, inner in zip(plan.buses, state.buses, strict=True):
        name = bus.bus.name
        if bus.bus.is_muted:
            taps[name, "before_chain"] = taps[name, "after_chain"] = out = silence
            continue
        total = np.zeros((frames, state.lanes, 2))
        if name in stems:
            total[:, sorted({0, (lane_of or {}).get(name, 0)})] += inner.source_wait.push(stems[name])[
                :, None
            ]
        for feed, line in zip(bus.feeds, inner.waits, strict=True):
            late = plan.bus(feed.source).latency_frames(feed.tap)
            gain = _level(feed.level_db, feed.ride, plan.song.rate_hz, state.at_frame - late, frames)
            total += line.push(_scaled(taps[feed.source, feed.tap], gain))
        keys = {
            key: inner.key_waits[key].push(np.ascontiguousarray(taps[feed.source, feed.tap][:, 0]))
            for key, feed in bus.keys.items()
        }
        out = process_series(bus.series, inner.series, total, keys)
        out = _faded(plan, bus, out, state.at_frame)
        inner.meter.feed(np.ascontiguousarray(out[:, 0]))
        taps[name, "before_chain"], taps[name, "after_chain"] = total, out
    state.at_frame += frames
    return out


def record_graph(plan: GraphPlan, state: GraphState) -> list[dict[str, Any]]:
    """Tell what every bus did, in the order of the session file."""
    at_work = {bus.bus.name: (bus, inner) for bus, inner in zip(plan.buses, state.buses, strict=True)}
    return [
        {
            "place": bus.bus.place,
            "fed_by": _fed_by(plan, bus),
            "moved": _moves(bus),
            "arrival_frames": bus.arrival_frames,
            "latency_frames": bus.series.latency_frames,
            "left_at": inner.meter.reading().as_dict(),
            "decisions": record_series(bus.series, inner.series),
        }
        for bus, inner in (at_work[name] for name in plan.song.buses if name in at_work)
        if not bus.bus.is_muted
    ]


def _moves(bus: BusPlan) -> list[str]:
    """What was done to a bus beside its chain, in words: trim, polarity, fades, fader, ride, pan."""
    fader, told = bus.bus.fader, []
    if isinstance(fader, Stem):
        told += [f"trim {fader.gain_db:+g} dB"] if fader.gain_db else []
        told += ["polarity inverted"] if fader.polarity == "inverted" else []
        told += [f"fade in {fader.fade_in_ms:g} ms"] if fader.fade_in_ms else []
        told += [f"fade out {fader.fade_out_ms:g} ms"] if fader.fade_out_ms else []
    told += [f"fader {fader.level_db:+g} dB"] if fader.level_db else []
    if fader.ride:
        levels = [point.level_db for point in fader.ride]
        told.append(f"ridden {min(levels):+g} to {max(levels):+g} dB")
    if isinstance(fader, Stem) and fader.pan:
        told.append(f"panned {abs(fader.pan):.0%} {'right' if fader.pan > 0 else 'left'}")
    return told


def _faded(plan: GraphPlan, bus: BusPlan, out: Audio, at_frame: int) -> Audio:
    """What leaves a bus: its chain's output at the level of its fader, in its place."""
    late = bus.latency_frames("after_chain")
    fader = bus.fader
    out = _scaled(out, _level(fader.level_db, fader.ride, plan.song.rate_hz, at_frame - late, len(out)))
    return out if bus.pan == (1.0, 1.0) else out * np.array(bus.pan)


def _scaled(sound: Audio, gain: Audio | float) -> Audio:
    return sound if isinstance(gain, float) and gain == 1.0 else sound * gain


def _fed_by(plan: GraphPlan, bus: BusPlan) -> list[str]:
    heard = [feed for feed in bus.feeds if not plan.bus(feed.source).bus.is_muted]
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


def _pan(song: Song, bus: Bus) -> tuple[float, float]:
    if not isinstance(bus.fader, Stem):
        return 1.0, 1.0
    mono = song.files[bus.name].info.channels == 1
    law = bus.fader.pan_law or ("constant_power" if mono else "balance")
    return pan_gains(bus.fader.pan, law)


def _feeds(song: Song, bus: Bus) -> Iterator[Feed]:
    """Paths into a bus: what goes to it in the order of the file, then sends."""
    for other in song.buses.values():
        if other.target == bus.name:
            yield Feed(other.name, "after_chain")
    for send in song.session.sends:
        if send.to == bus.name:
            yield Feed(send.source, send.tap, send.level_db, send.ride, is_send=True)


def _ancestors(song: Song, end: str, stages: Placed | None) -> set[str]:
    """Every bus that can be heard, or is listened to by a key, on the way to `end`."""
    found: set[str] = set()
    waiting = [end]
    while waiting:
        name = waiting.pop()
        if name in found:
            continue
        found.add(name)
        bus = song.buses[name]
        placed = stages if name == end and stages is not None else bus.chain.placed()
        waiting += [feed.source for feed in _feeds(song, bus)]
        waiting += [key.source for _, stage in placed for _, key in stage.key_inputs()]
    return found
