"""A whole song limited in passes of its own: drive and gain found, checked, corrected.

The gain of a limiter moves between samples, so what leaves may rise a little above the ceiling between
them. Offline there is time to look: the limited sound is measured, the gain is lowered where it passes the
ceiling, smoothed again, measured again; what is left after that goes into one static trim.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from busproc.errors import RenderError
from busproc.kernels import limit, peaks
from busproc.measure.highest import PAD_FRAMES, highest_peak
from busproc.measure.meter import Meter
from busproc.scratch import Scratch
from busproc.stages.base import Plan
from busproc.stages.study import Audio, Facts, Study

CORRECTIONS = 6
OVER = 1 + 1e-6
"""A peak so much over the ceiling is corrected."""
UNDER = 1 - 1e-5
"""Corrections aim so much under the ceiling."""
SPREAD_FRAMES = 4
"""A correction reaches so far to either side."""

WITHIN_LU = 0.01
ALLOWED_LU = 0.05
SECOND_THOUGHTS = 6
"""Corrections and trim cost a little loudness; so often the drive is set again after them."""
MOST_DRIVE_DB = 30.0
STEPS = 16


def easing_lengths(frames: int) -> NDArray[np.int64]:
    """Lengths of three running means, one after the other, that carry a step out within so many frames."""
    lengths = np.array([(frames + 2 + k) // 3 for k in range(3)], dtype=np.int64)
    lengths.setflags(write=False)
    return lengths


@dataclass(frozen=True, kw_only=True)
class LimiterPlan(Plan):
    """Lengths of the windows, in frames; and the gain of the whole song, where it has been found."""

    ceiling: float
    ahead_frames: int
    window_frames: int
    fast_keep: float
    slow_keeps: tuple[float, float]
    slow_share: float
    lengths: NDArray[np.int64]
    gain: Scratch | None
    resting_gain: float
    arrival_frames: int

    def fresh_memory(self) -> dict[str, Any]:
        """Sliding minimum, release and easing."""
        return {
            "least": np.zeros(self.window_frames),
            "least_at": np.zeros(self.window_frames, dtype=np.int64),
            "least_ends": np.zeros(3, dtype=np.int64),
            "release": np.zeros(2),
            "rings": np.full((3, self.lengths.max()), limit.ONE),
            "sums": self.lengths * limit.ONE,
            "places": np.zeros(3, dtype=np.int64),
        }

    def smooth(self, wanted: Audio, memory: dict[str, Any]) -> Audio:
        """From the gain each frame wants to one that is eased, `ahead_frames` late and never above it."""
        least = limit.slide_minimum(
            wanted, self.window_frames, memory["least"], memory["least_at"], memory["least_ends"]
        )
        held = limit.release(least, self.fast_keep, *self.slow_keeps, self.slow_share, memory["release"])
        return limit.ease(held, self.lengths, memory["rings"], memory["sums"], memory["places"])


class LimiterStudy(Study):
    """Keeps the song as it reaches the limiter, and works out drive and gain for all of it."""

    def __init__(
        self, plan: LimiterPlan, ceiling_dbtp: float, target_lufs: float | None, rate_hz: int
    ) -> None:
        self._plan, self._ceiling_dbtp, self._target_lufs = plan, ceiling_dbtp, target_lufs
        self._rate_hz = rate_hz
        self._sound, self._peaks = Scratch((2,)), Scratch()
        self._wanted, self._gain = Scratch(), Scratch()
        self._sound.append(np.zeros((PAD_FRAMES, 2)))

    def feed(self, before: Audio, after: Audio | None) -> None:  # noqa: ARG002
        """Keep the sound."""
        self._sound.append(before)

    def facts(self) -> Facts:
        """Drive, gain curve (from `PAD_FRAMES` before the song on), and how it was found."""
        self._sound.append(np.zeros((PAD_FRAMES, 2)))
        most_drive_db = 0.0 if self._target_lufs is None else MOST_DRIVE_DB
        floor = self._plan.ceiling / 10 ** (most_drive_db / 20)
        for first, frames in self._spans():
            self._peaks.append(peaks.peaks_at_a_glance(self._around(first, frames), floor))
        drive_db = self._drive_db()
        rounds, trim_db = self._limit_and_check(drive_db)
        off, slope = self._off_target(trim_db), 1.0
        for _ in range(SECOND_THOUGHTS):
            if abs(off) < WITHIN_LU:
                break
            step = off / slope
            drive_db = round(drive_db + step, 4)
            rounds, trim_db = self._limit_and_check(drive_db)
            before, off = off, self._off_target(trim_db)
            slope = min(max((before - off) / step, 0.1), 1.0)
        if abs(off) > ALLOWED_LU:
            self._refuse(self._target_lufs or 0.0, off)
        return {
            "drive_db": drive_db,
            "corrections": rounds,
            "trim_db": trim_db,
            "trim": 10 ** (trim_db / 20),
            "gain": self._gain,
        }

    def _limit_and_check(self, drive_db: float) -> tuple[int, float]:
        """Limit, correct until nothing passes the ceiling; rounds that took, and the trim for the rest."""
        self._limit(drive_db)
        rounds = 0
        while rounds < CORRECTIONS and self._correct():
            rounds += 1
            self._smooth()
        return rounds, self._trim_db()

    def _off_target(self, trim_db: float) -> float:
        """How much louder it should be, corrections and trim counted; 0 without a target."""
        loudness = self._loudness()
        if self._target_lufs is None or loudness is None:
            return 0.0
        return self._target_lufs - loudness - trim_db

    def _trim_db(self) -> float:
        """What is left over the ceiling, rounded up to 0.0001 dB."""
        highest = highest_peak(
            lambda first, frames: self._sound.read(first, frames) * self._gain.read(first, frames)[:, None],
            self._sound.frames,
        )
        return -max(0.0, math.ceil(2e5 * math.log10(max(highest, 1e-9) / self._plan.ceiling)) / 1e4)

    def _spans(self) -> Iterator[tuple[int, int]]:
        for first, block in self._sound.blocks():
            yield first, len(block)

    def _around(self, first: int, frames: int) -> Audio:
        return self._sound.read(first - peaks.MARGIN, frames + 2 * peaks.MARGIN)

    def _limited_peaks(self, first: int, frames: int) -> Audio:
        """Peaks of the limited sound, by the bank, where they may pass the ceiling."""
        gain = self._gain.read(first - peaks.MARGIN, frames + 2 * peaks.MARGIN)
        return peaks.peaks_over(self._around(first, frames) * gain[:, None], self._plan.ceiling)

    def _limit(self, drive_db: float) -> None:
        """Gain, drive included, that the peaks at a glance ask for."""
        drive, ceiling, last = 10 ** (drive_db / 20), self._plan.ceiling, np.zeros(1)
        for first, found in self._peaks.blocks():
            either = np.maximum(found, np.concatenate([last, found[:-1]])) * drive
            last = found[-1:]
            self._wanted.write(first, drive * (ceiling / np.maximum(either, ceiling)))
        self._drive = drive
        self._smooth()

    def _smooth(self) -> None:
        """Hold, release and ease the wanted gain; look-ahead is reading on."""
        plan, memory = self._plan, self._plan.fresh_memory()
        for first, frames in [*self._spans(), (self._wanted.frames, plan.ahead_frames)]:
            wanted = self._wanted.read(first, frames) if first < self._wanted.frames else np.zeros(0)
            share = np.concatenate([wanted / self._drive, np.ones(frames - len(wanted))])
            eased = plan.smooth(share, memory) * self._drive
            cut = max(0, plan.ahead_frames - first)
            self._gain.write(first - plan.ahead_frames + cut, eased[cut:])

    def _correct(self) -> bool:
        """Want less gain where the limited sound passes the ceiling; False where it nowhere does."""
        corrected = False
        for first, frames in self._spans():
            found = self._limited_peaks(first, frames)
            over = np.flatnonzero(found > self._plan.ceiling * OVER)
            corrected |= bool(len(over))
            if not len(over):
                continue
            from_frame = max(0, first - SPREAD_FRAMES)
            wanted = self._wanted.read(from_frame, frames + 2 * SPREAD_FRAMES + first - from_frame)
            gain = self._gain.read(first, frames)
            least = gain[over] * self._plan.ceiling / found[over] * UNDER
            for step in range(-SPREAD_FRAMES, SPREAD_FRAMES + 2):
                places = np.clip(over + first - from_frame + step, 0, len(wanted) - 1)
                np.minimum.at(wanted, places, least)
            self._wanted.write(from_frame, wanted[: self._wanted.frames - from_frame])
        return corrected

    def _drive_db(self) -> float:
        """Gain into the limiter that makes what leaves as loud as asked for; 0 without a target."""
        target = self._target_lufs
        if target is None:
            return 0.0
        low_db, high_db = -60.0, MOST_DRIVE_DB
        self._limit(high_db)
        loudest = self._loudness()
        if loudest is None:
            return 0.0
        if loudest < target - WITHIN_LU:
            self._refuse(target, target - loudest)
        drive_db = 0.0
        for _ in range(STEPS):
            self._limit(drive_db)
            off = self._off_target(trim_db=0.0)
            if abs(off) < WITHIN_LU:
                break
            low_db, high_db = (drive_db, high_db) if off > 0 else (low_db, drive_db)
            step = drive_db + off
            drive_db = step if low_db < step < high_db else (low_db + high_db) / 2
        return round(drive_db, 4)

    def _refuse(self, target: float, off: float) -> None:
        raise RenderError(
            f"target_lufs {target:g} cannot be met under {self._ceiling_dbtp:g} dBTP: "
            f"the best value is {target - off:.1f} LUFS"
        )

    def _loudness(self) -> float | None:
        """Integrated loudness of the limited song."""
        meter = Meter(self._rate_hz, 2)
        for first, block in self._sound.blocks():
            meter.feed(block * self._gain.read(first, len(block))[:, None])
        return meter.reading().integrated_lufs
