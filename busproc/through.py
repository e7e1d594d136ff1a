"""A sound on disk taken through stages: what reaches a bus is made once, and heard behind many chains."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from busproc.chain import BLOCK_FRAMES, Chain
from busproc.facts import Found, find_facts
from busproc.mixing import start_graph
from busproc.routes import MIX_BUS
from busproc.routing import GraphPlan, plan_graph
from busproc.run import run
from busproc.scratch import Scratch
from busproc.song import Song
from busproc.stages.base import Audio
from busproc.stages.context import Context
from busproc.stages.series import (
    Placed,
    SeriesPlan,
    SeriesState,
    plan_series,
    process_series,
    record_series,
    start_series,
)
from busproc.studies import study_stages

Announce = Callable[[str], None]


@dataclass(frozen=True)
class Entrance:
    """What reaches a bus: the sum `(frames, 2)`, and sounds for keys by their names.

    The song starts `late_frames` into the sound and is `frames` long; what filters ring before and after
    is there too, for stages to hear. With `rings_out` they may add a tail; where a session sets the length,
    `frames` has it already. Keys keep the time of the bus's entrance, `keys_late_frames`.
    """

    rate_hz: int
    sound: Scratch
    frames: int
    late_frames: int = 0
    keys: Mapping[str, Scratch] = field(default_factory=dict)
    keys_late_frames: int = 0
    rings_out: bool = False

    def blocks(self) -> Iterator[Audio]:
        """The song `(frames, 2)`, from its start to its end."""
        end = self.late_frames + self.frames
        for at in range(self.late_frames, end, BLOCK_FRAMES):
            yield self.sound.read(at, min(BLOCK_FRAMES, end - at))


@dataclass(frozen=True)
class Passed:
    """What left the stages, the facts they needed, and where it was asked for what each of them did."""

    left: Entrance
    facts: Found
    record: list[dict[str, Any]]


def entrance_of(
    song: Song, folder: Path, announce: Announce, chains: Iterable[Chain] = (), *, name: str = MIX_BUS
) -> Entrance:
    """Mix a song up to the entrance of a bus.

    Parameters
    ----------
    song
        What to mix; the bus's own chain is not run.
    folder
        Where the sounds lie meanwhile.
    announce
        Told what is being done, again and again while it is.
    chains
        What will be heard behind it: their keys are made too, and a second beyond the end, or as much as
        they look ahead.
    name
        The bus.
    """
    chains = list(chains)
    bare = song.with_chain(name, Chain())
    facts = find_facts(bare, BLOCK_FRAMES, announce)
    wanted = {key.name: key for chain in chains for _, key in chain.key_inputs()}
    bus = plan_graph(bare, facts, end=name, stages=[])
    plans = {
        called: plan_graph(bare, facts, end=key.source, stages=[] if key.tap == "before_chain" else None)
        for called, key in wanted.items()
    }
    late = max(plan.latency_frames for plan in (bus, *plans.values()))
    frames = song.frames + bus.tail_frames
    total = late + frames + max([song.rate_hz, *(_latency_frames(chain, song.rate_hz) for chain in chains)])

    def spooled(plan: GraphPlan) -> Scratch:
        sound, at = Scratch((2,), folder), late - plan.latency_frames
        for block in run(plan, start_graph(plan, watched=False), BLOCK_FRAMES, total - at):
            announce(f"mixing {plan.buses[-1].bus.name}")
            sound.write(at, block[:, 0])
            at += len(block)
        return sound

    keys = {called: spooled(plan) for called, plan in plans.items()}
    return Entrance(
        song.rate_hz, spooled(bus), frames, late, keys, late, rings_out=song.session.tail_s is None
    )


def through(
    placed: Placed,
    entrance: Entrance,
    *,
    place: str = MIX_BUS,
    watched: bool = False,
    goes_on: bool = False,
    announce: Announce = lambda _: None,
) -> Passed:
    """Take a whole sound through stages, latency taken out.

    Parameters
    ----------
    placed
        The stages, each with the step that leads to it (`Chain.placed`).
    entrance
        What to take through.
    place
        How the log calls the bus.
    watched
        Whether what each stage did is wanted.
    goes_on
        Whether further stages will hear it: what rings beyond the end is kept for them.
    announce
        Told what is being done, again and again while it is.

    Returns
    -------
    Passed
        The same sound, bit for bit, as where the stages run in a song's own graph. What left may enter
        further stages.
    """
    facts: Found = {}
    here = Context(entrance.rate_hz, place, facts, arrival_frames=entrance.late_frames)

    def hear(stages: Placed) -> Iterator[Audio]:
        plan = plan_series(stages, here)
        late = entrance.late_frames + plan.latency_frames
        at = 0
        for block in _run(plan, start_series(plan, 1, watched=False), entrance, late + _end(plan, entrance)):
            if at + len(block) > late:
                yield np.ascontiguousarray(block[max(0, late - at) :])
            at += len(block)

    study_stages(placed, here, hear, announce)
    plan = plan_series(placed, here)
    late, frames = entrance.late_frames + plan.latency_frames, _end(plan, entrance)
    state, out = start_series(plan, 1, watched=watched), Scratch((2,), entrance.sound.folder)
    beyond = max(0, entrance.sound.frames - late - frames) if goes_on else 0
    for block in _run(plan, state, entrance, late + frames + beyond):
        announce(f"taking the song through {place}")
        out.append(block)
    left = replace(entrance, sound=out, frames=frames, late_frames=late)
    return Passed(left, facts, record_series(plan, state) if watched else [])


def _latency_frames(chain: Chain, rate_hz: int) -> int:
    return chain.plan(Context(rate_hz, MIX_BUS, None)).latency_frames


def _end(plan: SeriesPlan, entrance: Entrance) -> int:
    return entrance.frames + (plan.tail_frames if entrance.rings_out else 0)


def _run(plan: SeriesPlan, state: SeriesState, entrance: Entrance, frames: int) -> Iterator[Audio]:
    """Feed so many frames of the sound, silence where there is no more; latency stays in what leaves."""
    since_keys = entrance.late_frames - entrance.keys_late_frames
    for at in range(0, frames, BLOCK_FRAMES):
        taken = min(BLOCK_FRAMES, frames - at)
        keys = {name: sound.read(at - since_keys, taken) for name, sound in entrance.keys.items()}
        yield process_series(plan, state, entrance.sound.read(at, taken)[:, None], keys)[:, 0]
