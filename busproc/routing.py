"""The graph of a song: every bus in order, every path delayed so that all arrive together.

A bus sums what feeds it (in the order of the session file), runs its chain, then its fader. Each path
into it waits for the latest one; a key waits until the sound it steers has come as far. `before_chain`
taps the sum, `after_chain` what leaves the fader.

Beside the bus itself (lane 0) run the contributions to it that are wanted apart, each under the number of
its lane. A bus carries only those that reach it, and where one of them is all there is, it is lane 0.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from busproc.routes import MIX_BUS, Bus
from busproc.session import Point, Ridden, Stem, Tap
from busproc.song import Song
from busproc.stages.context import Context, Facts
from busproc.stages.gain import pan_gains
from busproc.stages.series import Placed, SeriesPlan, plan_series


@dataclass(frozen=True)
class Feed:
    """A path from one bus into another, or into its keys.

    `late_frames` is how late the sound enters it, `columns` where each column of the source goes.
    """

    source: str
    tap: Tap
    level_db: float = 0.0
    ride: tuple[Point, ...] = ()
    is_send: bool = False
    late_frames: int = 0
    columns: tuple[tuple[int, int], ...] = ((0, 0),)


@dataclass(frozen=True)
class BusPlan:
    """A bus, planned: what feeds it, how late it is at its entrance and after its chain.

    `lanes` are the contributions that reach it; `is_whole` tells that there is nothing beside them.
    """

    bus: Bus
    lanes: tuple[int, ...]
    is_whole: bool
    fader: Ridden
    pan: tuple[float, float]
    feeds: tuple[Feed, ...]
    keys: dict[str, Feed]
    series: SeriesPlan
    arrival_frames: int

    def latency_frames(self, tap: Tap) -> int:
        """How late the sound is at a tap."""
        return self.arrival_frames + (self.series.latency_frames if tap == "after_chain" else 0)

    @property
    def columns(self) -> int:
        """How many lanes it runs: 0, and the contributions unless one is all there is."""
        return 1 if self.lanes[1:] == () and self.is_whole else 1 + len(self.lanes)

    def column(self, lane: int) -> int:
        """Where a contribution runs."""
        return 0 if self.columns == 1 else 1 + self.lanes.index(lane)


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
        """How long the song goes on after its last stem: as the session says, or as its stages ring."""
        asked_s = self.song.session.tail_s
        if asked_s is not None:
            return round(asked_s * self.song.rate_hz)
        tails: dict[str, int] = {}
        for plan in self.buses:
            longest = max((tails[feed.source] for feed in plan.feeds), default=0)
            tails[plan.bus.name] = longest + plan.series.tail_frames
        return tails[self.buses[-1].bus.name]


def plan_graph(
    song: Song,
    facts: Facts,
    *,
    end: str = MIX_BUS,
    stages: Placed | None = None,
    lane_of: Mapping[str, int] | None = None,
    bends_apart: bool = False,
) -> GraphPlan:
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
    lane_of
        Lane (1 and up) in which a stem is carried apart, or all that a return makes.
    bends_apart
        Whether contributions are bent each on its own, and then no longer add up.
    """
    lane_of = lane_of or {}
    needed = _ancestors(song, end, stages, lane_of)
    planned: dict[str, BusPlan] = {}
    for name in song.order:
        if name in needed:
            only = stages if name == end else None
            here = Context(song.rate_hz, song.buses[name].place, facts, bends_apart=bends_apart)
            planned[name] = _plan_bus(song, song.buses[name], only, planned, here, lane_of)
    return GraphPlan(song, tuple(planned.values()))


def _plan_bus(
    song: Song,
    bus: Bus,
    stages: Placed | None,
    planned: Mapping[str, BusPlan],
    here: Context,
    lane_of: Mapping[str, int],
) -> BusPlan:
    placed = bus.chain.placed() if stages is None else stages

    def late(feed: Feed) -> Feed:
        return replace(feed, late_frames=planned[feed.source].latency_frames(feed.tap))

    feeds = [late(feed) for feed in _feeds(song, bus) if _takes_part(song, feed, lane_of)]
    listened = [key for _, stage in placed for _, key in stage.key_inputs()]
    keys = {key.name: late(Feed(key.source, key.tap)) for key in listened}
    arrival = max((path.late_frames for path in [*feeds, *keys.values()]), default=0)
    series = plan_series(placed, replace(here, arrival_frames=arrival))
    fader, pan = (bus.fader, _pan(song, bus)) if stages is None else (Ridden(), (1.0, 1.0))
    lanes, is_whole = _lanes_of(bus, [planned[feed.source] for feed in feeds], lane_of)
    plan = BusPlan(bus, lanes, is_whole, fader, pan, (), keys, series, arrival)
    led = tuple(replace(feed, columns=_columns(planned[feed.source], plan)) for feed in feeds)
    return replace(plan, feeds=led)


def _lanes_of(bus: Bus, sources: list[BusPlan], lane_of: Mapping[str, int]) -> tuple[tuple[int, ...], bool]:
    """Contributions that reach a bus, and whether they are all that does."""
    if bus.name in lane_of:
        return (lane_of[bus.name],), True
    if bus.kind == "stems":
        return (), False
    lanes = {lane for source in sources for lane in source.lanes}
    whole = all(source.is_whole and not source.bus.is_spare for source in sources)
    return tuple(sorted(lanes)), whole


def _columns(source: BusPlan, into: BusPlan) -> tuple[tuple[int, int], ...]:
    """From which column of one bus to which of another: lane 0 to lane 0, contributions to their own.

    A spare stem is not in the mix, so it stays out of lane 0.
    """
    apart = source.lanes if into.columns > 1 else ()
    together = () if source.bus.is_spare else ((0, 0),)
    return (*together, *((source.column(lane), into.column(lane)) for lane in apart))


def _takes_part(song: Song, feed: Feed, lane_of: Mapping[str, int]) -> bool:
    """Whether a path is run: those of spare stems only where they are carried apart, of keys never."""
    source = song.buses[feed.source]
    return feed.source in lane_of if source.is_spare else not source.only_keys


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


def _ancestors(song: Song, end: str, stages: Placed | None, lane_of: Mapping[str, int]) -> set[str]:
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
        waiting += [feed.source for feed in _feeds(song, bus) if _takes_part(song, feed, lane_of)]
        waiting += [key.source for _, stage in placed for _, key in stage.key_inputs()]
    return found
