"""How a gate closes and opens, and what tells attack and body of a sound."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busproc.kernels.jit import kernel

Audio = NDArray[np.float64]

TINY = 1e-30
"""Stands for no reduction, so that none sinks into denormals."""


@kernel
def below(level_db: float, threshold_db: float, slope: float, most_db: float) -> float:
    """Reduction in dB that a static curve asks for under its threshold; `slope` is ratio - 1."""
    return max(min(slope * (threshold_db - level_db), most_db), 0.0)


@kernel
def follow_gate(
    level_db: Audio,
    threshold_db: float,
    hysteresis_db: float,
    slope: float,
    most_db: float,
    attack_keep: float,
    release_keep: float,
    memory: Audio,
) -> Audio:
    """Reduction in force `(frames,)` for `level_db (frames,)`.

    It opens at the threshold and then asks for nothing until the level has fallen under the threshold by
    the hysteresis. `memory (2,)` is the reduction, and 1 while open; both are updated.
    """
    out = np.empty(level_db.shape[0])
    now, is_open = memory[0], memory[1]
    for n in range(level_db.shape[0]):
        stays = level_db[n] >= threshold_db - is_open * hysteresis_db
        is_open = 1.0 if stays else 0.0
        wanted = TINY if stays else max(below(level_db[n], threshold_db, slope, most_db), TINY)
        keep = release_keep if wanted > now else attack_keep
        now = keep * now + (1.0 - keep) * wanted
        out[n] = now
    memory[0], memory[1] = now, is_open
    return out


@kernel
def share_above(above_db: Audio, low_db: float, high_db: float) -> Audio:
    """Share, 0 to 1, `(frames,)`: begins `low_db` above and is whole from `high_db` on."""
    out = np.empty(above_db.shape[0])
    scale = 1.0 / (high_db - low_db)
    for n in range(above_db.shape[0]):
        out[n] = min(max(scale * (above_db[n] - low_db), 0.0), 1.0)
    return out


@kernel
def follow_body(level: Audio, attack: Audio, rise_keep: float, fall_keep: float, memory: Audio) -> Audio:
    """Follow `level (frames,)` up and down at two paces, but down at once where a new attack begins.

    `attack (frames,)` is its share, 0 to 1, by which the fall is the faster. `memory (1,)` is updated.
    """
    out = np.empty(level.shape[0])
    now = memory[0]
    for n in range(level.shape[0]):
        keep = rise_keep if level[n] > now else fall_keep * (1.0 - attack[n])
        now = keep * now + (1.0 - keep) * level[n]
        out[n] = now
    memory[0] = now
    return out
