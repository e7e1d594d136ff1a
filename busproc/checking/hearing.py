"""Stems heard for a check: each as it enters its chain, and what of each reaches the mix bus."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from busproc.chain import BLOCK_FRAMES, Chain
from busproc.facts import Found, find_facts
from busproc.measure.loudness import MOMENTARY_TENTHS, Loudness, gated_power, lufs
from busproc.mixing import start_graph
from busproc.routing import plan_graph
from busproc.run import stream
from busproc.scratch import Scratch
from busproc.sources import READ_FRAMES, StemSource

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from busproc.progress import Progress
    from busproc.session import Stem
    from busproc.song import Song

    Audio = NDArray[np.float64]


def sounding(song: Song) -> list[str]:
    """Names of the stems that are not muted."""
    return [stem.name for stem in song.session.stems if not stem.mute]


def mixed(song: Song) -> list[str]:
    """Names of the stems that are in the mix."""
    return [stem.name for stem in song.session.stems if stem.heard and not stem.mute]


def file_blocks(song: Song, name: str) -> Iterator[Audio]:
    """What a stem is, `(frames, channels)` at its own rate."""
    with song.files[name].reader() as reader:
        while len(block := reader.read(READ_FRAMES)):
            yield np.ascontiguousarray(block)


def entering(song: Song, name: str) -> Iterator[Audio]:
    """A stem as it enters its chain, `(frames, 2)`: on the song's time line, trimmed, faded, aligned."""
    with StemSource(song.files[name]) as source:
        for at in range(0, song.frames, BLOCK_FRAMES):
            yield source.read(min(BLOCK_FRAMES, song.frames - at))


def mid_of(song: Song, name: str, progress: Progress) -> Scratch:
    """The mid of a stem as it enters its chain, on disk, `(frames,)`."""
    sound = Scratch()
    for block in entering(song, name):
        progress(f"hearing {name}", sound.frames / song.frames)
        sound.append(0.5 * (block[:, 0] + block[:, 1]))
    return sound


def with_stem(song: Song, stem: Stem) -> Song:
    """The song with another stem in the place of that of its name."""
    name = stem.name
    stems = tuple(stem if each.name == name else each for each in song.session.stems)
    return replace(
        song,
        session=song.session.model_copy(update={"stems": stems}),
        buses={**song.buses, name: replace(song.buses[name], fader=stem)},
        files={**song.files, name: replace(song.files[name], stem=stem)},
    )


class Contributions:
    """What of each stem reaches the mix bus: through its chain, fader, groups, sends and returns.

    Every bus decides from its whole sum, as in the mix, so what is heard of all stems adds up to it.
    """

    def __init__(self, song: Song, progress: Progress) -> None:
        self._song = song.with_mix_bus(Chain())
        self._progress = progress
        self._facts: Found = find_facts(self._song, BLOCK_FRAMES, lambda what: progress(what, 0.0))

    def blocks(self, names: Sequence[str]) -> Iterator[dict[str, Audio]]:
        """Blocks `(frames, 2)` of each of these stems, in step, from the start of the song to its end."""
        lane_of = {name: lane for lane, name in enumerate(names, 1)}
        plan = plan_graph(self._song, self._facts, stages=[], lane_of=lane_of)
        columns = {name: plan.buses[-1].column(lane) for name, lane in lane_of.items()}
        at = 0
        for block in stream(plan, start_graph(plan, watched=False), BLOCK_FRAMES):
            self._progress("hearing what reaches the mix bus", at / self._song.frames)
            yield {name: np.ascontiguousarray(block[:, column]) for name, column in columns.items()}
            at += len(block)

    def on_disk(self, names: Sequence[str]) -> dict[str, Scratch]:
        """The same as sounds on disk."""
        sounds = {name: Scratch((2,)) for name in names}
        for blocks in self.blocks(names):
            for name, block in blocks.items():
                sounds[name].append(block)
        return sounds


class LoudnessOf:
    """Loudness of a sound, gated as ITU-R BS.1770-5 has it."""

    def __init__(self, rate_hz: int) -> None:
        self._loudness = Loudness(rate_hz)

    def feed(self, block: Audio) -> None:
        """Take the next block, C-contiguous float64 of shape (frames, 2)."""
        self._loudness.feed(block)

    @property
    def power(self) -> float:
        """Mean K-weighted power; 0 for silence."""
        return gated_power(self._loudness.window_powers(MOMENTARY_TENTHS)[::10])

    @property
    def lufs(self) -> float | None:
        """The same as a level; None for silence."""
        return lufs(self.power)
