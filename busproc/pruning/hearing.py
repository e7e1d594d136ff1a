"""A song heard without some of its stages, beside the song as it is."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from busproc.chain import BLOCK_FRAMES
from busproc.measure.audibility import LEVEL_HEARD_DB, Difference, difference, worst
from busproc.measure.highest import highest_peak
from busproc.measure.meter import Meter
from busproc.measure.passages import Passage, Passages
from busproc.pruning.places import Place, without
from busproc.routes import MIX_BUS
from busproc.stages.limiter import Limiter
from busproc.through import Announce, Entrance, entrance_of, through

if TYPE_CHECKING:
    from busproc.song import Song
    from busproc.stages.base import Audio

GUARD_DB = 0.5
"""Where the limiter that ends the mix bus goes, peaks must stay so far under its ceiling, since conversion to
another rate and dither raise them a little. Ours."""


@dataclass(frozen=True)
class Outcome:
    """What leaving out stages changes in what leaves the mix bus.

    Attributes
    ----------
    is_same
        Whether every sample is the same.
    loudness_change_db
        What it does to the loudness of the whole (BS.1770-5), which is taken out before the rest is measured.
    difference
        How far the two lie apart for the ear, in the passages that were heard; times are song time.
    passages
        These: the song's loudest, quietest and most changing one, and where the two differ most.
    over
        Peak in dBTP and what it must not pass, where it does; None where it does not.
    """

    is_same: bool
    loudness_change_db: float
    difference: Difference
    passages: tuple[Passage, ...]
    over: tuple[float, float] | None

    @property
    def weight(self) -> float:
        """Share of what could just be heard, level included; from 1 on it counts as heard."""
        return max(self.difference.weight, abs(self.loudness_change_db) / LEVEL_HEARD_DB)

    @property
    def may_go(self) -> bool:
        """Whether the stages may be left out."""
        return self.weight < 1 and self.over is None


class Listener:
    """Renders a song without stages and says what that changes. Sounds lie on disk meanwhile.

    Parameters
    ----------
    song
        The song.
    folder
        Where its sounds are kept.
    announce
        Told what is being done.
    """

    def __init__(self, song: Song, folder: Path, announce: Announce) -> None:
        self._song, self._folder, self._announce = song, folder, announce
        self._reaching = self._entrance(song)
        self._whole = self._through(song, self._reaching)
        passages, meter = Passages(song.rate_hz), Meter(song.rate_hz, 2)
        for block in self._whole.blocks():
            passages.feed(block)
            meter.feed(block)
        self._lufs = meter.reading().integrated_lufs
        self._passages = passages.loudest(), passages.quietest(), passages.most_changing()

    @property
    def guard(self) -> Place | None:
        """The limiter that ends the mix bus and so guards the ceiling of all that is written."""
        stages = self._song.buses[MIX_BUS].chain.stages
        ends = bool(stages) and isinstance(stages[-1], Limiter)
        return Place(MIX_BUS, len(stages) - 1) if ends else None

    def hear(self, places: Collection[Place]) -> Outcome:
        """Hear the song without these stages, at the loudness that it has with them."""
        song = without(self._song, places)
        is_of_mix_bus = all(place.bus == MIX_BUS for place in places)
        left = self._through(song, self._reaching if is_of_mix_bus else self._entrance(song))
        length = max(self._whole.frames, left.frames)
        apart, meter, is_same = Passages(song.rate_hz), Meter(song.rate_hz, 2), True
        for at in range(0, length, BLOCK_FRAMES):
            was, now = (_read(each, at, min(BLOCK_FRAMES, length - at)) for each in (self._whole, left))
            is_same = is_same and np.array_equal(was, now)
            apart.feed(now - was)
            meter.feed(now)
        lufs = meter.reading().integrated_lufs
        change_db = 0.0 if lufs is None or self._lufs is None else lufs - self._lufs
        passages = tuple(dict.fromkeys([*self._passages, apart.loudest()]))
        heard = (self._apart(each, left, 10 ** (-change_db / 20)) for each in passages)
        return Outcome(is_same, change_db, worst(heard), passages, self._over(left, places))

    def _entrance(self, song: Song) -> Entrance:
        return entrance_of(song, self._folder, self._announce, [self._song.buses[MIX_BUS].chain])

    def _through(self, song: Song, entrance: Entrance) -> Entrance:
        return through(song.buses[MIX_BUS].chain.placed(), entrance, announce=self._announce).left

    def _apart(self, passage: Passage, left: Entrance, gain: float) -> Difference:
        rate_hz = self._song.rate_hz
        first = round(passage.from_s * rate_hz)
        frames = round(passage.to_s * rate_hz) - first
        was, now = (_read(each, first, frames) for each in (self._whole, left))
        return difference(was, gain * now, rate_hz).later(passage.from_s)

    def _over(self, left: Entrance, places: Collection[Place]) -> tuple[float, float] | None:
        """What no limiter holds any more must keep under the ceiling, or where there is none full scale."""
        guard = self.guard
        if guard is not None and guard not in places:
            return None
        if guard is None:
            most_db = max(0.0, self._peak_db(self._whole))
        else:
            limiter = guard.stage(self._song)
            assert isinstance(limiter, Limiter)
            most_db = limiter.ceiling_dbtp - GUARD_DB
        peak_db = self._peak_db(left)
        return (peak_db, most_db) if peak_db > most_db else None

    @staticmethod
    def _peak_db(left: Entrance) -> float:
        peak = highest_peak(partial(_read, left), left.frames)
        return 20 * math.log10(peak) if peak else -math.inf


def _read(left: Entrance, first: int, frames: int) -> Audio:
    """Frames of the song as it left, from anywhere; silence before its start and after its end."""
    inside = max(0, min(first + frames, left.frames) - max(first, 0))
    sound = np.zeros((frames, 2))
    at = max(0, -first)
    sound[at : at + inside] = left.sound.read(left.late_frames + max(first, 0), inside)
    return sound
