"""From sound to level, and from level to a compressor's gain."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from busproc.kernels.jit import kernel

Audio = NDArray[np.float64]

TINY = 1e-30


@kernel
def rms_of_both(x: Audio, keep: float, memory: Audio) -> Audio:
    """Louder running RMS of left and right, as the peak of a sine of that RMS.

    Mean square by a one-pole with coefficient `keep`; `memory (2,)` carries it and is updated.
    Scaling: AES17, a sine reads its own peak.
    """
    level = np.empty(x.shape[0])
    for n in range(x.shape[0]):
        for side in range(2):
            power = x[n, side] * x[n, side]
            mean = power + keep * (memory[side] - power)
            memory[side] = mean if mean > TINY else 0.0
        level[n] = math.sqrt(2.0 * max(memory[0], memory[1]))
    return level


@kernel
def compress(
    level: Audio,
    threshold_db: float,
    slope: float,
    knee_db: float,
    attack_keep: float,
    release_keep: float,
    memory: Audio,
) -> Audio:
    """Gain in dB (never above 0) for a level `(frames,)`, smoothed by branching ballistics.

    `slope` is 1 - 1/ratio; the knee is quadratic. `memory (1,)` carries the smoothed reduction and is
    updated. Source: Giannoulis, Massberg, Reiss, 'Digital Dynamic Range Compressor Design', JAES 60(6),
    2012: static curve equation 4, smooth branching detector (equation number from memory, 16).
    """
    gain_db = np.empty(level.shape[0])
    reduction = memory[0]
    floor = 10.0 ** ((threshold_db - 0.5 * knee_db) / 20.0)
    for n in range(level.shape[0]):
        wanted = 0.0
        if level[n] > floor:
            over = 20.0 * math.log10(level[n]) - threshold_db
            if 2.0 * over >= knee_db:
                wanted = slope * over
            elif 2.0 * over > -knee_db:
                wanted = slope * (over + 0.5 * knee_db) ** 2 / (2.0 * knee_db)
        keep = attack_keep if wanted > reduction else release_keep
        reduction = wanted + keep * (reduction - wanted)
        if reduction < TINY:
            reduction = 0.0
        gain_db[n] = -reduction
    memory[0] = reduction
    return gain_db


@kernel
def blend_gain(gain_db: Audio, makeup_db: float, mix: float) -> Audio:
    """Dry and compressed together: 1 + mix * (gain * make-up - 1), exactly 1 where nothing is done."""
    gain = np.empty(gain_db.shape[0])
    for n in range(gain_db.shape[0]):
        gain[n] = 1.0 + mix * (10.0 ** ((gain_db[n] + makeup_db) / 20.0) - 1.0)
    return gain


@kernel
def ride_gain(times_s: Audio, levels_db: Audio, rate_hz: float, first_frame: int, frames: int) -> Audio:
    """Gain along breakpoints, straight lines in dB between them and level before and after.

    `times_s` and `levels_db (points,)`, times rising. Returns `(frames,)` from `first_frame` on.
    """
    gain = np.empty(frames)
    point = 0
    for n in range(frames):
        now = (first_frame + n) / rate_hz
        while point < times_s.shape[0] and times_s[point] <= now:
            point += 1
        if point == 0:
            db = levels_db[0]
        elif point == times_s.shape[0]:
            db = levels_db[point - 1]
        else:
            share = (now - times_s[point - 1]) / (times_s[point] - times_s[point - 1])
            db = levels_db[point - 1] + share * (levels_db[point] - levels_db[point - 1])
        gain[n] = 10.0 ** (db / 20.0)
    return gain


@kernel
def fade_gain(first: int, frames: int, length: int, fade_in: float, fade_out: float) -> Audio:
    """Half-cosine fades at both ends of a sound of `length` frames, for `frames` from `first` on."""
    gain = np.ones(frames)
    for n in range(frames):
        since, left = first + n, length - 1 - (first + n)
        if since < fade_in:
            gain[n] *= 0.5 - 0.5 * math.cos(math.pi * since / fade_in)
        if left < fade_out:
            gain[n] *= 0.5 - 0.5 * math.cos(math.pi * left / fade_out)
    return gain
