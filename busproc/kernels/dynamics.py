"""A compressor's arithmetic: from sound to level, to the reduction that is wanted, to that in force, to gain.

Each step is a formula for one value and a loop of its own over the block: those without memory the compiler
does several frames at a time, and only means and followers go frame by frame. What most compressors do,
`gain_of_sound` does in one go. Logarithm and power are series in plain arithmetic, the same bits
everywhere. Levels and reductions are `(columns, frames)`: one column where one gain is decided, two where
left and right (or mid and side) have their own. Reduction is in dB, from 0 up. `TINY` stands for nothing in
every memory, so that none sinks into denormals.
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

OCTAVE_DB = 20.0 * math.log10(2.0)

TILE_FRAMES = 32
"""Frames that `gain_of_sound` works on at a time."""

_TWO_TO_52 = 4503599627370496.0
_TWO_TO_52_BITS = np.uint64(0x4330000000000000)
_FRACTION = np.uint64(0x000FFFFFFFFFFFFF)
_WIDTH = np.uint64(52)
_BIAS = np.uint64(1023)
_HALF_ROOT = np.uint64(0x3FE6A09E667F3BCD)  # bits of the square root of 1/2
_LIFT = np.uint64(0x3FF0000000000000 - 0x3FE6A09E667F3BCD)
_ROUND = 1.5 * _TWO_TO_52

# log2(m) = 2/ln 2 (s + s^3/3 + s^5/5 ..) with s = (m - 1)/(m + 1), |s| < 0.1716
_L1, _L3, _L5, _L7, _L9, _L11 = (2.0 / (math.log(2.0) * k) for k in (1, 3, 5, 7, 9, 11))
# 2^f = 1 + (f ln 2) + (f ln 2)^2/2! .. with |f| <= 1/2
_E1, _E2, _E3, _E4, _E5, _E6, _E7, _E8, _E9 = (math.log(2.0) ** k / math.factorial(k) for k in range(1, 10))


@kernel
def octaves_of(level: float) -> float:
    """log2 of a magnitude from 1e-300 up (below: some value under -830).

    Error under 1e-10: the series is cut behind its 11th power.
    """
    lifted = np.float64(level).view(np.uint64) + _LIFT
    whole = np.uint64((lifted >> _WIDTH) | _TWO_TO_52_BITS).view(np.float64) - (_TWO_TO_52 + 1023.0)
    part = np.uint64((lifted & _FRACTION) + _HALF_ROOT).view(np.float64)
    s = (part - 1.0) / (part + 1.0)
    z = s * s
    return whole + s * (_L1 + z * (_L3 + z * (_L5 + z * (_L7 + z * (_L9 + z * _L11)))))


@kernel
def power_of_two(octaves: float) -> float:
    """2^octaves, from -1000 to 1000; exactly 1 for 0.

    Error under 1e-10 of it: the series is cut behind its 9th power.
    """
    rounded = np.float64(octaves + _ROUND)
    f = octaves - (rounded - _ROUND)
    high = _E5 + f * (_E6 + f * (_E7 + f * (_E8 + f * _E9)))
    part = 1.0 + f * (_E1 + f * (_E2 + f * (_E3 + f * (_E4 + f * high))))
    return part * np.uint64((rounded.view(np.uint64) + _BIAS) << _WIDTH).view(np.float64)


@kernel
def averaged(mean: float, x: float, keep: float) -> float:
    """Next value of a running mean square."""
    return keep * mean + ((1.0 - keep) * (x * x) + TINY)


@kernel
def asked(level_db: float, threshold_db: float, slope: float, knee_db: float, most_db: float) -> float:
    """Reduction that a static curve asks for, never above `most_db`; `slope` is 1 - 1/ratio.

    Source: Giannoulis, Massberg, Reiss, 'Digital Dynamic Range Compressor Design', JAES 60(6), 2012,
    equation 4 (quadratic knee), as one expression: the part inside the knee squared, the part above it.
    """
    bend = 0.5 / knee_db if knee_db > HARD_DB else 0.0
    above = level_db - threshold_db + 0.5 * knee_db
    inside = min(max(above, 0.0), knee_db)
    return min(slope * (inside * inside * bend + max(above - knee_db, 0.0)), most_db)


@kernel
def paced(now: float, wanted: float, attack_keep: float, release_keep: float) -> float:
    """Next value of a one-pole with a coefficient for rising and a greater one for falling.

    Of the two values that they give, the right one is always the greater, so nothing branches.
    Source: the same paper, smooth branching detector (equation number from memory, 16).
    """
    goal = max(wanted, TINY)
    return max(
        attack_keep * now + (1.0 - attack_keep) * goal, release_keep * now + (1.0 - release_keep) * goal
    )


@kernel
def gain_of_sound(
    x: Audio,
    as_rms: bool,
    mean_square: Audio,
    reduction: Audio,
    keep: float,
    threshold_db: float,
    slope: float,
    knee_db: float,
    most_db: float,
    attack_keep: float,
    release_keep: float,
    dry: float,
    wet: float,
) -> Audio:
    """Gain `(frames,)` for both sides of `x (frames, 2)` alike: the bits of all steps one after the other.

    A follower waits for its own last value most of the time, and so does a mean square. Both wait in the
    same loop: the follower in one tile, the mean square in the next. `mean_square (2,)` and
    `reduction (1,)` are updated.
    """
    gain, tile = np.empty(x.shape[0]), np.empty(TILE_FRAMES)
    octave_db = 0.5 * OCTAVE_DB if as_rms else OCTAVE_DB
    left, right, now = mean_square[0], mean_square[1], reduction[0]
    followed = 0
    for first in range(-TILE_FRAMES, x.shape[0], TILE_FRAMES):
        given, coming = gain[max(first, 0) :], x[first + TILE_FRAMES :].reshape(-1)
        heard = min(TILE_FRAMES, coming.shape[0] // 2)
        for n in range(max(followed, heard)):
            if n < followed:
                now = paced(now, tile[n], attack_keep, release_keep)
                given[n] = now
            if n < heard:
                one, other = coming[2 * n], coming[2 * n + 1]
                left = averaged(left, one, keep) if as_rms else abs(one)
                right = averaged(right, other, keep) if as_rms else abs(other)
                tile[n] = max(left, right)
        for n in range(heard):
            level_db = octave_db * octaves_of(tile[n]) + (OCTAVE_DB - octave_db)
            tile[n] = asked(level_db, threshold_db, slope, knee_db, most_db)
        for n in range(followed):
            given[n] = dry + wet * power_of_two(given[n] * (-1.0 / OCTAVE_DB))
        followed = heard
    mean_square[0], mean_square[1], reduction[0] = left, right, now
    return gain


@kernel
def peak_of_each(x: Audio) -> Audio:
    """Magnitude of each side of `x (frames, 2)`: `(2, frames)`."""
    flat = x.reshape(-1)
    level = np.empty((2, x.shape[0]))
    left, right = level[0], level[1]
    for n in range(x.shape[0]):
        left[n] = abs(flat[2 * n])
        right[n] = abs(flat[2 * n + 1])
    return level


@kernel
def mean_square_of_each(x: Audio, keep: float, memory: Audio) -> Audio:
    """Running mean square of each side of `x (frames, 2)`: `(2, frames)`.

    By a one-pole with coefficient `keep`; `memory (2,)` carries it and is updated.
    """
    flat = x.reshape(-1)
    power = np.empty((2, x.shape[0]))
    left, right = power[0], power[1]
    mean_left, mean_right = memory[0], memory[1]
    for n in range(x.shape[0]):
        mean_left = averaged(mean_left, flat[2 * n], keep)
        mean_right = averaged(mean_right, flat[2 * n + 1], keep)
        left[n] = mean_left
        right[n] = mean_right
    memory[0], memory[1] = mean_left, mean_right
    return power


@kernel
def louder(level: Audio) -> Audio:
    """The greater of two columns `(2, frames)`: `(1, frames)`."""
    most = np.empty((1, level.shape[1]))
    one, first, second = most[0], level[0], level[1]
    for n in range(level.shape[1]):
        one[n] = max(first[n], second[n])
    return most


@kernel
def decibels(level: Audio, octave_db: float, sum_db: float) -> Audio:
    """octave_db * log2(level) + sum_db, in the shape of `level`."""
    flat = level.reshape(-1)
    out = np.empty(flat.shape[0])
    for n in range(flat.shape[0]):
        out[n] = octave_db * octaves_of(flat[n]) + sum_db
    return out.reshape(level.shape)


@kernel
def level_db_of(x: Audio, as_rms: bool, keep: float, together: bool, memory: Audio) -> Audio:
    """Level of `x (frames, 2)` in dBFS, a sine reading its peak: of each side, or of the louder one."""
    level = mean_square_of_each(x, keep, memory) if as_rms else peak_of_each(x)
    octave_db = 0.5 * OCTAVE_DB if as_rms else OCTAVE_DB
    return decibels(louder(level) if together else level, octave_db, OCTAVE_DB - octave_db)


@kernel
def wanted_reduction(
    level_db: Audio, threshold_db: float, slope: float, knee_db: float, most_db: float
) -> Audio:
    """Reduction that a static curve asks for at each level."""
    flat = level_db.reshape(-1)
    out = np.empty(flat.shape[0])
    for n in range(flat.shape[0]):
        out[n] = asked(flat[n], threshold_db, slope, knee_db, most_db)
    return out.reshape(level_db.shape)


@kernel
def link(wanted: Audio, share: float) -> None:
    """Draw each of two columns `(2, frames)` towards the deeper one by a share, in place."""
    first, second = wanted[0], wanted[1]
    for n in range(wanted.shape[1]):
        deeper = max(first[n], second[n])
        first[n] += share * (deeper - first[n])
        second[n] += share * (deeper - second[n])


@kernel
def follow(wanted: Audio, attack_keep: float, release_keep: float, memory: Audio) -> Audio:
    """Follow each column at its pace; `memory (columns,)` is updated."""
    out = np.empty_like(wanted)
    for c in range(wanted.shape[0]):
        goal, given, now = wanted[c], out[c], memory[c]
        for n in range(goal.shape[0]):
            now = paced(now, goal[n], attack_keep, release_keep)
            given[n] = now
        memory[c] = now
    return out


@kernel
def gain_of(reduction_db: Audio, dry: float, wet: float) -> Audio:
    """Gain dry + wet * 10^(-reduction/20), in the shape of `reduction_db`, which stays under 6000 dB.

    Exactly dry + wet where nothing is done.
    """
    flat = reduction_db.reshape(-1)
    out = np.empty(flat.shape[0])
    for n in range(flat.shape[0]):
        out[n] = dry + wet * power_of_two(flat[n] * (-1.0 / OCTAVE_DB))
    return out.reshape(reduction_db.shape)
