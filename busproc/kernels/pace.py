"""Followers of a reduction that hold it before they let go, or that hear their own output.

Levels and reductions are `(columns, frames)`, in dB; `TINY` stands for nothing in every memory.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from busproc.kernels.jit import kernel

Audio = NDArray[np.float64]

TINY = 1e-30

HARD_DB = 1e-9
"""A knee narrower than this is none: so small a number cannot be divided by."""


@kernel
def follow_and_hold(
    wanted: Audio, attack_keep: float, release_keep: float, hold_frames: int, memory: Audio, left: Audio
) -> Audio:
    """The same with any two coefficients, and it stays for `hold_frames` before it falls.

    `left (columns,)` counts them down.
    """
    out = np.empty_like(wanted)
    for c in range(wanted.shape[0]):
        goal, given = wanted[c], out[c]
        for n in range(goal.shape[0]):
            memory[c], left[c] = _step(goal[n], attack_keep, release_keep, hold_frames, memory[c], left[c])
            given[n] = memory[c]
    return out


@kernel
def _step(
    wanted: float, attack_keep: float, release_keep: float, hold_frames: int, now: float, left: float
) -> tuple[float, float]:
    """One frame of a follower that holds: the next value, and how long it is still held."""
    goal = max(wanted, TINY)
    rises = goal >= now
    resting = 1.0 if left > 0.0 else release_keep
    keep = attack_keep if rises else resting
    waits = float(hold_frames) if rises else max(left - 1.0, 0.0)
    return keep * now + (1.0 - keep) * goal, waits


@kernel
def follow_own_output(
    level_db: Audio,
    curve: Audio,
    share: float,
    attack_keep: float,
    release_keep: float,
    hold_frames: int,
    memory: Audio,
    left: Audio,
) -> Audio:
    """Reduction decided from the level behind it: that of `level_db (columns, frames)` less what is in force.

    `curve (4,)` is threshold, ratio, knee and the most reduction, in dB. What each column asks for is drawn
    towards the deeper one by `share`. `memory` and `left (columns,)` are updated.
    """
    out = np.empty_like(level_db)
    each = np.empty(level_db.shape[0])
    for n in range(level_db.shape[1]):
        deepest = 0.0
        for c in range(level_db.shape[0]):
            each[c] = min(_reduction_behind(level_db[c, n] - memory[c], curve), curve[3])
            deepest = max(deepest, each[c])
        for c in range(level_db.shape[0]):
            goal = each[c] + share * (deepest - each[c])
            memory[c], left[c] = _step(goal, attack_keep, release_keep, hold_frames, memory[c], left[c])
            out[c, n] = memory[c]
    return out


@kernel
def _reduction_behind(output_db: float, curve: Audio) -> float:
    """Reduction of the static curve, looked up by the level that leaves in place of the one that comes.

    Inside the knee the curve output = u - slope u^2 / (2 knee), u from the knee's lower edge, is solved
    for u; above it the output rises by 1/ratio.
    """
    threshold_db, ratio, knee_db = curve[0], curve[1], curve[2]
    slope = 1.0 - 1.0 / ratio
    above = output_db - threshold_db + 0.5 * knee_db
    bend_ends = knee_db * (1.0 - 0.5 * slope)
    inside = min(max(above, 0.0), bend_ends)
    steep = 2.0 * slope * inside / knee_db if knee_db > HARD_DB else 0.0
    bent = 2.0 * inside / (1.0 + math.sqrt(1.0 - steep)) - inside
    reduction_db: float = bent + (ratio - 1.0) * max(above - bend_ends, 0.0)
    return reduction_db
