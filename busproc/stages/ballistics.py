"""How a reduction moves: what a static curve asks for, followed at a pace."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busproc.kernels import dynamics, pace

Audio = NDArray[np.float64]
Memory = dict[str, Audio]

SLOW_SHARE = 0.6
"""Share of the reduction that an automatic release lets settle in its slow part. Ours, not a standard's."""

SLOW_RISE_MS, SLOW_FALL_MS, FAST_FALL_MS = 300.0, 1500.0, 80.0
"""Times of an automatic release: of its slow part up and down, of its fast part down. Ours as well."""


def keep_of(time_ms: float, rate_hz: float) -> float:
    """One-pole coefficient that covers 63.2 % of a step in the time; 0 for no time.

    Source: alpha = exp(-1 / (tau fs)), Giannoulis, Massberg, Reiss, JAES 60(6), 2012.
    """
    return math.exp(-1000.0 / (time_ms * rate_hz)) if time_ms > 0 else 0.0


def keep_inside_loop(keep: float, ratio: float) -> float:
    """Coefficient of a follower that hears its own output, for the whole loop to have `keep`.

    The loop pulls `ratio` times as hard as the follower alone (over a hard knee).
    """
    return 1.0 - (1.0 - keep) / ratio


def decoupled_release_ms(attack_ms: float, release_ms: float) -> float:
    """Time in which decoupled ballistics really let go of 63.2 % of a reduction that had settled.

    Release and attack act one after the other, so it is longer than the release alone.

    >>> round(decoupled_release_ms(10.0, 100.0), 2)
    110.54
    """

    def kept(time_ms: float) -> float:
        slow = math.exp(-time_ms / release_ms)
        if math.isclose(attack_ms, release_ms, rel_tol=1e-6):
            return slow * (1 + time_ms / release_ms)
        quick = math.exp(-time_ms / attack_ms) if attack_ms else 0.0
        return (release_ms * slow - attack_ms * quick) / (release_ms - attack_ms)

    low, high = 0.0, 4 * (attack_ms + release_ms)
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if kept(middle) > math.exp(-1) else (low, middle)
    return low


@dataclass(frozen=True, kw_only=True)
class Ballistics:
    """Coefficients of a follower, and how it is built.

    `slow_keeps` (rise, fall) are there where the release is automatic: a slow part then follows a share
    of what is asked for, and the rest is followed fast, so that the longer a passage was held down, the
    more of the reduction lets go slowly.
    """

    attack_keep: float
    release_keep: float
    hold_frames: int
    decoupled: bool
    slow_keeps: tuple[float, float] | None

    @property
    def plain(self) -> bool:
        """Whether two coefficients tell all: one for rising, one as great or greater for falling."""
        special = self.hold_frames or self.decoupled or self.slow_keeps is not None
        return not special and self.attack_keep <= self.release_keep

    def start(self, columns: int) -> Memory:
        """Nothing is turned down yet."""
        return {name: np.zeros(columns) for name in ("reduction", "hold_left", "eased", "slow")}

    def follow(self, memory: Memory, wanted: Audio) -> Audio:
        """Reduction in force for the one that is `wanted (columns, frames)`; updates `memory`."""
        if self.slow_keeps is None:
            return self._paced(memory, wanted)
        slow = dynamics.follow(SLOW_SHARE * wanted, *self.slow_keeps, memory["slow"])
        return slow + self._paced(memory, np.maximum(wanted - slow, 0.0))

    def follow_own_output(self, memory: Memory, level_db: Audio, curve: Audio, link: float) -> Audio:
        """Reduction in force for `level_db (columns, frames)`, decided from what is left of that level.

        `curve` is threshold, ratio, knee and the most reduction, in dB.
        """
        return pace.follow_own_output(
            level_db,
            curve,
            link,
            self.attack_keep,
            self.release_keep,
            self.hold_frames,
            memory["reduction"],
            memory["hold_left"],
        )

    def _paced(self, memory: Memory, wanted: Audio) -> Audio:
        attack_keep = 0.0 if self.decoupled else self.attack_keep
        now = memory["reduction"]
        if self.hold_frames or attack_keep > self.release_keep:
            paced = pace.follow_and_hold(
                wanted, attack_keep, self.release_keep, self.hold_frames, now, memory["hold_left"]
            )
        else:
            paced = dynamics.follow(wanted, attack_keep, self.release_keep, now)
        if self.decoupled:
            return dynamics.follow(paced, self.attack_keep, self.attack_keep, memory["eased"])
        return paced
