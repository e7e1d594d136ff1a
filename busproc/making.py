"""From a song to sounds on disk: facts, one streaming run with its contributions, versions on their own."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from busproc.delivery.members import wanted_versions
from busproc.delivery.orders import Version
from busproc.delivery.shares import Pass, Piece, plan_passes, version_song
from busproc.delivery.sounds import Carried, Sounds, combined, spans
from busproc.errors import RenderError
from busproc.facts import Found, find_facts
from busproc.files import sha256_file
from busproc.measure.level import LevelTally
from busproc.mixing import record_graph, start_graph
from busproc.progress import Progress
from busproc.routing import BusPlan, plan_graph
from busproc.run import stream
from busproc.scratch import Scratch
from busproc.song import Song
from busproc.stages.limiter import Limiter

Audio = NDArray[np.float64]
Record = dict[str, Any]


@dataclass(frozen=True)
class Made:
    """What a render has made: sounds; for the log facts, what each place did, versions compared."""

    sounds: Sounds
    facts: Found
    places: list[Record]
    limiter: Limiter | None
    compared: list[Record] = field(default_factory=list)


def make(song: Song, numbers: Collection[int], folder: Path, block_frames: int, progress: Progress) -> Made:
    """Make the mix of a song and all that these deliveries need beside it.

    Parameters
    ----------
    song
        What to render.
    numbers
        Positions of the deliveries in its session.
    folder
        Where sounds are kept meanwhile.
    block_frames
        Size of the blocks; no result depends on it.
    progress
        Called now and then.

    Raises
    ------
    RenderError
        The mix is not a finite number somewhere, the disk is full, or a stem's file changed meanwhile.
    """
    maker = _Maker(folder, block_frames, progress)
    first, *further = plan_passes(song, numbers)
    facts = maker.find_facts(song)
    mix, carried, places = maker.run(song, facts, first)
    others = [maker.run(song, facts, each)[1] for each in further]
    alone: dict[str, Scratch] = {}
    compared = []
    for version in _alone(song, numbers):
        sound, bus = maker.version(song, version)
        if version.decided_by == "itself":
            alone[version.name] = sound
        if version.compare:
            compared.append(_compared(version, carried, sound, places[-1], bus))
    _refuse_changed(song)
    sounds = Sounds(song.rate_hz, mix, (carried, *others), alone)
    return Made(sounds, facts, places, _final_limiter(song), compared)


def _alone(song: Song, numbers: Collection[int]) -> list[Version]:
    """Versions that are rendered on their own."""
    wanted = [v for n in numbers for v in wanted_versions(song.session, song.session.deliver[n])]
    every = {version.name: version for version in wanted}
    return [version for version in every.values() if version.decided_by == "itself" or version.compare]


@dataclass(frozen=True)
class _Maker:
    folder: Path
    block_frames: int
    progress: Progress

    def find_facts(self, song: Song) -> Found:
        """All that must be known before the run."""
        return find_facts(song, self.block_frames, lambda what: self.progress(what, 0.0))

    def run(self, song: Song, facts: Found, wanted: Pass) -> tuple[Scratch, Carried, list[Record]]:
        """One streaming run: the mix, the contributions, and what every place did."""
        plan = plan_graph(song, facts, lane_of=wanted.lane_of, bends_apart=wanted.bends_apart)
        state = start_graph(plan)
        mix, lanes = Scratch((2,), self.folder), Scratch((wanted.lanes, 2), self.folder)
        for block in stream(plan, state, self.block_frames):
            _refuse_not_finite(block, mix.frames, song.rate_hz)
            mix.append(block[:, 0])
            if wanted.lanes:
                lanes.append(_by_lane(block, plan.buses[-1], wanted.lanes))
            self.progress("rendering", mix.frames / song.frames)
        return mix, Carried(wanted, lanes), record_graph(plan, state)

    def version(self, song: Song, version: Version) -> tuple[Scratch, Record]:
        """A version rendered as if it were the mix: its sound, and what the mix bus did."""
        told = replace(self, progress=lambda what, done: self.progress(f"{version.name}: {what}", done))
        alone = version_song(song, version)
        sound, _, places = told.run(alone, told.find_facts(alone), Pass({}))
        return sound, places[-1]


def _by_lane(block: Audio, bus: BusPlan, lanes: int) -> Audio:
    """Contributions under their numbers; those that do not reach the mix bus are silent."""
    made = np.zeros((len(block), lanes, 2))
    for lane in bus.lanes:
        made[:, lane - 1] = block[:, bus.column(lane)]
    return made


def _compared(version: Version, carried: Carried, itself: Scratch, mix: Record, alone: Record) -> Record:
    """How far the two ways of deciding a version lie apart."""
    piece = carried.plan.versions[version.name]
    difference, level = LevelTally(), LevelTally()
    for at, kept in _blocks(carried, piece):
        other = itself.read(at, len(kept))
        level.feed(other)
        difference.feed(kept - other)
    return {
        "version": version.name,
        "decided_by": version.decided_by,
        "difference_dbfs": difference.as_dict()["rms_dbfs"],
        "itself_dbfs": level.as_dict()["rms_dbfs"],
        "reductions": [
            {
                "place": kept["place"],
                "stage": kept["stage"],
                "mix_percentile_95_db": kept["did"]["percentile_95_db"],
                "itself_percentile_95_db": own["did"]["percentile_95_db"],
            }
            for kept, own in zip(mix["decisions"], alone["decisions"], strict=True)
            if "percentile_95_db" in kept.get("did", {}) and "percentile_95_db" in own.get("did", {})
        ],
    }


def _blocks(carried: Carried, piece: Piece) -> Iterator[tuple[int, Audio]]:
    for at, frames in spans(0, carried.lanes.frames, carried.plan.lanes):
        lanes = carried.lanes.read(at, frames)
        yield at, combined(lanes[:, 0], lanes, piece)


def _final_limiter(song: Song) -> Limiter | None:
    """The limiter that ends the mix bus, whether or not it was needed there."""
    last = song.buses["mix_bus"].chain.stages[-1:]
    return last[0] if last and isinstance(last[0], Limiter) else None


def _refuse_not_finite(block: Audio, at_frame: int, rate_hz: int) -> None:
    bad = np.flatnonzero(~np.isfinite(block).all(axis=(1, 2)))
    if len(bad):
        raise RenderError(
            f"the mix is not a finite number at {(at_frame + bad[0]) / rate_hz:.3f} s; please report this "
            "with the session"
        )


def _refuse_changed(song: Song) -> None:
    """What was rendered must be what the log names by its checksum."""
    changed = {
        file.stem.name
        for file in song.files.values()
        if any(sha256_file(path) != sha256 for _, path, sha256 in file.inputs)
    }
    if changed:
        raise RenderError(
            f"the files of {', '.join(sorted(changed))} changed while they were read; nothing was written, "
            "run it again"
        )
