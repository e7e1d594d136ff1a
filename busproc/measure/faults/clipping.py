"""Tops that were cut off, at full scale or under it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from busproc.kernels.flat import BINS, ENTRY, EXIT, LENGTH, LEVEL, START, flat_runs
from busproc.measure.decibels import power_db
from busproc.measure.faults.finding import Finding, passages, sureness

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Audio = NDArray[np.float64]

LEAST_FRAMES = 3
"""Fewer alike are common in music (common practice, no source)."""
TOLERANCE = 1e-4
"""What dither of 16 bit may add to a flat top, as a share of it."""
ABRUPT = 5.0
"""A cut stands out of its neighbours by so many tolerances; a round top of the same width by 3 at most:
three samples about a parabola's top lie within one, the next ones 3 lower."""
STEPS = 4.0
"""And by so many of the least steps between samples: under it is a quiet sound's own coarseness."""
LEAST_RUNS = 5
_SURE_RUNS = 20
MOST_ELSEWHERE = 0.5
"""Sounds made of steps are flat at many levels; a cut at one."""
_LEAST_LEVEL = 0.02
_SAME_LEVEL = 5e-4
_CELL_S = 0.1


@dataclass(frozen=True, kw_only=True)
class Clipping(Finding):
    """Flat tops at one level.

    Attributes
    ----------
    level_dbfs
        Where the tops are cut: the highest level of all channels and both signs; None where they are not.
    runs
        Number of flat tops.
    frames
        Number of frames in them, of all channels.
    longest_frames
        Length of the longest.
    over_full_scale
        Samples beyond full scale: they are no fault of their own until written as whole numbers.
    """

    level_dbfs: float | None
    runs: int
    frames: int
    longest_frames: int
    over_full_scale: int


class ClippedRuns:
    """Search a stream of one or two channels for clipping.

    A top counts if three samples or more lie within 0.01 % of each other, both neighbours lie well inside,
    and not both on the other side of zero, as they do in a square wave. Clipping is where tops gather at one
    level of a channel and sign, and little is flat elsewhere, as it is in sounds made of steps. What was
    filtered, converted to another rate or coded with losses after it was clipped has no flat tops left;
    dither of 16 bit hides those under -10 dBFS.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._rate_hz = rate_hz
        self._states = np.zeros((channels, 6))
        self._elsewhere = np.zeros((channels, BINS))
        self._runs: list[list[Audio]] = [[] for _ in range(channels)]
        self._over = 0

    def feed(self, block: Audio) -> None:
        """Take the next block, float64 of shape (frames, channels)."""
        self._over += int(np.count_nonzero(np.abs(block) > 1))
        parts = zip(block.T, self._states, self._elsewhere, self._runs, strict=True)
        for wave, state, elsewhere, runs in parts:
            column = np.ascontiguousarray(wave)
            found = flat_runs(column, LEAST_FRAMES, TOLERANCE, _LEAST_LEVEL, state, elsewhere)
            if len(found):
                runs.append(found.copy())

    def finding(self) -> Clipping:
        """Say what is clipped; a run that still goes on is not counted."""
        cut = [each for channel in range(len(self._runs)) for each in self._cut(channel)]
        tops = np.concatenate([np.zeros((0, 5)), *cut])
        sure = sureness(max((len(each) for each in cut), default=0), LEAST_RUNS, _SURE_RUNS)
        cells = np.unique(tops[:, START] // (_CELL_S * self._rate_hz))
        return Clipping(
            found=bool(len(tops)),
            confidence=sure if len(tops) else 0.0,
            where=passages(cells * _CELL_S, _CELL_S),
            level_dbfs=power_db(float(np.abs(tops[:, LEVEL]).max(initial=0.0)) ** 2),
            runs=len(tops),
            frames=int(tops[:, LENGTH].sum()),
            longest_frames=int(tops[:, LENGTH].max(initial=0.0)),
            over_full_scale=self._over,
        )

    def _cut(self, channel: int) -> list[Audio]:
        """The flat tops of a channel that clipping made, those of either sign by themselves."""
        runs = np.concatenate([np.zeros((0, 5)), *self._runs[channel]])
        least_step = self._states[channel, -1]
        found = [self._at_one_level(channel, runs[side * runs[:, LEVEL] > 0], least_step) for side in (1, -1)]
        return [each for each in found if len(each) >= LEAST_RUNS]

    def _at_one_level(self, channel: int, runs: Audio, least_step: float) -> Audio:
        """The abrupt tops at the level where most of them are; none where many lie elsewhere."""
        level, rise, fall = np.abs(runs[:, LEVEL]), runs[:, ENTRY], runs[:, EXIT]
        least = np.minimum(rise, fall)
        abrupt = least > np.maximum(ABRUPT * TOLERANCE * level, STEPS * least_step)
        rail = _most_common(level[abrupt & (least < level)])
        at_rail = abrupt & (least < level) & (np.abs(level - rail) <= _SAME_LEVEL * rail)
        elsewhere = self._elsewhere[channel, int(rail / 2 * BINS / 2) + 1 :].sum()
        flat = np.count_nonzero(abrupt & (level >= rail / 2)) + elsewhere
        return runs[at_rail if at_rail.sum() >= (1 - MOST_ELSEWHERE) * flat else slice(0)]


def _most_common(levels: Audio) -> float:
    """Middle of the narrow range that holds most of the levels; 0 for none."""
    if not len(levels):
        return 0.0
    ordered = np.sort(levels)
    ends = np.searchsorted(ordered, ordered * (1 + _SAME_LEVEL), side="right")
    first = int((ends - np.arange(len(ordered))).argmax())
    return float(ordered[(first + ends[first] - 1) // 2])
