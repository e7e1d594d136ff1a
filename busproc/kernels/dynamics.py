"""A compressor's arithmetic: from sound to level, to the reduction that is wanted, to that in force, to gain.

Each step is a loop of its own over the block: those without memory are plain arithmetic that the compiler
does several frames at a time, and only the followers go frame by frame. Logarithm and power are series
in that arithmetic, the same bits everywhere. Levels and reductions are `(columns, frames)`: one column where
one gain is decided, two where left and right (or mid and side) have their own. Reduction is in dB, from 0
up. `TINY` stands for nothing in every memory, so that none sinks into denormals.
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

_TWO_TO_52 = 4503599627370496.0
_TWO_TO_52_BITS = np.uint64(0x4330000000000000)
_FRACTION = np.uint64(0x000FFFFFFFFFFFFF)
_WIDTH = np.uint64(52)
_HALF_ROOT = np.uint64(0x3FE6A09E667F3BCD)  # bits of the square root of 1/2
_LIFT = np.uint64(0x3FF0000000000000 - 0x3FE6A09E667F3BCD)
_ROUND = 1.5 * _TWO_TO_52

# log2(m) = 2/ln 2 (s + s^3/3 + s^5/5 ..) with s = (m - 1)/(m + 1), |s| < 0.1716
_L1, _L3, _L5, _L7, _L9, _L11 = (2.0 / (math.log(2.0) * k) for k in (1, 3, 5, 7, 9, 11))
# 2^f = 1 + (f ln 2) + (f ln 2)^2/2! .. with |f| <= 1/2
_E1, _E2, _E3, _E4, _E5, _E6, _E7, _E8, _E9 = (math.log(2.0) ** k / math.factorial(k) for k in range(1, 10))


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
    take = 1.0 - keep
    for n in range(x.shape[0]):
        left[n] = take * (flat[2 * n] * flat[2 * n]) + TINY
        right[n] = take * (flat[2 * n + 1] * flat[2 * n + 1]) + TINY
    mean_left, mean_right = memory[0], memory[1]
    for n in range(x.shape[0]):
        mean_left = keep * mean_left + left[n]
        mean_right = keep * mean_right + right[n]
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
    """octave_db * log2(level) + sum_db, for magnitudes from 1e-300 up (below: some value under -5000 dB).

    Error under 1e-9 dB at 20 lg: the series is cut behind its 11th power.
    """
    flat = level.reshape(-1)
    bits = flat.view(np.uint64)
    whole = np.empty(flat.shape[0], dtype=np.uint64)
    part = np.empty(flat.shape[0], dtype=np.uint64)
    for n in range(flat.shape[0]):
        lifted = bits[n] + _LIFT
        whole[n] = (lifted >> _WIDTH) | _TWO_TO_52_BITS
        part[n] = (lifted & _FRACTION) + _HALF_ROOT
    octaves, mantissa = whole.view(np.float64), part.view(np.float64)
    out = np.empty(flat.shape[0])
    for n in range(flat.shape[0]):
        s = (mantissa[n] - 1.0) / (mantissa[n] + 1.0)
        z = s * s
        series = _L1 + z * (_L3 + z * (_L5 + z * (_L7 + z * (_L9 + z * _L11))))
        out[n] = octave_db * ((octaves[n] - (_TWO_TO_52 + 1023.0)) + s * series) + sum_db
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
    """Reduction that a static curve asks for, never above `most_db`; `slope` is 1 - 1/ratio.

    Source: Giannoulis, Massberg, Reiss, 'Digital Dynamic Range Compressor Design', JAES 60(6), 2012,
    equation 4 (quadratic knee), as one expression: the part inside the knee squared, the part above it.
    """
    flat = level_db.reshape(-1)
    out = np.empty(flat.shape[0])
    bend = 0.5 / knee_db if knee_db > HARD_DB else 0.0
    for n in range(flat.shape[0]):
        above = flat[n] - threshold_db + 0.5 * knee_db
        inside = min(max(above, 0.0), knee_db)
        asked = slope * (inside * inside * bend + max(above - knee_db, 0.0))
        out[n] = min(asked, most_db)
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
    """One-pole with a coefficient for rising and a greater one for falling; `memory (columns,)` is updated.

    Of the two values that they give, the right one is always the greater, so nothing branches.
    Source: the same paper, smooth branching detector (equation number from memory, 16).
    """
    out = np.empty_like(wanted)
    rise, fall = 1.0 - attack_keep, 1.0 - release_keep
    for c in range(wanted.shape[0]):
        asked, given, now = wanted[c], out[c], memory[c]
        for n in range(asked.shape[0]):
            goal = max(asked[n], TINY)
            now = max(attack_keep * now + rise * goal, release_keep * now + fall * goal)
            given[n] = now
        memory[c] = now
    return out


@kernel
def follow_and_hold(
    wanted: Audio, attack_keep: float, release_keep: float, hold_frames: int, memory: Audio, left: Audio
) -> Audio:
    """The same with any two coefficients, and it stays for `hold_frames` before it falls.

    `left (columns,)` counts them down.
    """
    out = np.empty_like(wanted)
    for c in range(wanted.shape[0]):
        asked, given = wanted[c], out[c]
        for n in range(asked.shape[0]):
            memory[c], left[c] = _step(asked[n], attack_keep, release_keep, hold_frames, memory[c], left[c])
            given[n] = memory[c]
    return out


@kernel
def _step(
    asked: float, attack_keep: float, release_keep: float, hold_frames: int, now: float, left: float
) -> tuple[float, float]:
    """One frame of a follower that holds: the next value, and how long it is still held."""
    goal = max(asked, TINY)
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
    asked = np.empty(level_db.shape[0])
    for n in range(level_db.shape[1]):
        deepest = 0.0
        for c in range(level_db.shape[0]):
            asked[c] = min(_reduction_behind(level_db[c, n] - memory[c], curve), curve[3])
            deepest = max(deepest, asked[c])
        for c in range(level_db.shape[0]):
            goal = asked[c] + share * (deepest - asked[c])
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


@kernel
def gain_of(reduction_db: Audio, dry: float, wet: float) -> Audio:
    """Gain dry + wet * 10^(-reduction/20), in the shape of `reduction_db`, which stays under 6000 dB.

    Exactly dry + wet where nothing is done. Error under 1e-9 dB: the series is cut behind its 9th power.
    """
    flat = reduction_db.reshape(-1)
    rounded = np.empty(flat.shape[0])
    out = np.empty(flat.shape[0])
    for n in range(flat.shape[0]):
        octaves = flat[n] * (-1.0 / OCTAVE_DB)
        rounded[n] = octaves + _ROUND
        f = octaves - (rounded[n] - _ROUND)
        high = _E5 + f * (_E6 + f * (_E7 + f * (_E8 + f * _E9)))
        out[n] = 1.0 + f * (_E1 + f * (_E2 + f * (_E3 + f * (_E4 + f * high))))
    whole, bits = rounded.view(np.uint64), out.view(np.uint64)
    for n in range(flat.shape[0]):
        bits[n] += whole[n] << _WIDTH
    for n in range(flat.shape[0]):
        out[n] = dry + wet * out[n]
    return out.reshape(reduction_db.shape)
