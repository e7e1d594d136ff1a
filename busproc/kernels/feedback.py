"""A feedback delay network of sixteen lines, the all-passes before it, and sparse taps beside it.

Everything stands in rings that are as long as their delays: where a value is read, the next is written.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busproc.kernels.jit import kernel

Audio = NDArray[np.float64]
Counts = NDArray[np.int64]

LINES = 16
TINY = 1e-30


@kernel
def run_network(
    x: Audio, ends: Counts, at: Counts, ring: Audio, rows: Audio, memory: Audio, turning: Audio, turns: Audio
) -> Audio:
    """Let `x (frames, 2)` go round in sixteen delay lines; returns what they hand out, `(frames, 2)`.

    Line k lies in `ring` from `ends[k]` to `ends[k + 1]` and is at `at[k]`. What leaves it is absorbed by
    two sections, `rows (16, 10)` with `memory (16, 4)`; pairs of lines are turned into each other, pair k
    by the angle of `turning (8, 2)`, a cosine and a sine, which goes on by `turns (8, 2)` in each frame;
    then all are mixed and written back. Nothing but the absorption takes or gives energy.
    """
    out = np.empty(x.shape)
    line = np.empty(LINES)
    for n in range(x.shape[0]):
        for k in range(LINES):
            line[k] = absorb(ring[at[k]], rows[k], memory[k])
        out[n, 0], out[n, 1] = hand_out(line)
        turn_pairs(line, turning, turns)
        mix_all(line)
        for k in range(0, LINES, 2):
            line[k] += x[n, 0] if k & 2 else -x[n, 0]
            line[k + 1] += x[n, 1] if k & 4 else -x[n, 1]
        for k in range(LINES):
            ring[at[k]] = line[k] if abs(line[k]) > TINY else 0.0
            at[k] = at[k] + 1 if at[k] + 1 < ends[k + 1] else ends[k]
    return out


@kernel
def absorb(value: float, row: Audio, memory: Audio) -> float:
    """Take one value through two sections, `row (10,)`; what they remember of nothing becomes nothing."""
    b0, b1, b2, a1, a2 = row[0], row[1], row[2], row[3], row[4]
    c0, c1, c2, d1, d2 = row[5], row[6], row[7], row[8], row[9]
    y = b0 * value + memory[0]
    m0 = (b1 * value + memory[1]) - a1 * y
    m1 = b2 * value - a2 * y
    z: float = c0 * y + memory[2]
    m2 = (c1 * y + memory[3]) - d1 * z
    m3 = c2 * y - d2 * z
    if (abs(value) + abs(m0)) + (abs(m1) + abs(m2)) + abs(m3) <= TINY:
        m0, m1, m2, m3 = 0.0, 0.0, 0.0, 0.0
    memory[0], memory[1], memory[2], memory[3] = m0, m1, m2, m3
    return z


@kernel
def hand_out(line: Audio) -> tuple[float, float]:
    """Left and right: all lines, with signs of which half agree."""
    left, right = 0.0, 0.0
    for k in range(0, LINES, 4):
        left += (line[k] - line[k + 1]) + (line[k + 2] - line[k + 3])
        right += (line[k] + line[k + 1]) - (line[k + 2] + line[k + 3])
    return left, right


@kernel
def turn_pairs(line: Audio, turning: Audio, turns: Audio) -> None:
    """Turn lines k and k + 8 into each other by an angle, and let the angle go on."""
    half = LINES // 2
    for k in range(half):
        c, s = turning[k, 0], turning[k, 1]
        one, other = line[k], line[k + half]
        line[k] = c * one - s * other
        line[k + half] = s * one + c * other
        turning[k, 0] = c * turns[k, 0] - s * turns[k, 1]
        turning[k, 1] = c * turns[k, 1] + s * turns[k, 0]


@kernel
def mix_all(line: Audio) -> None:
    """Multiply by Hadamard's matrix, scaled so that it keeps energy."""
    stride = 1
    while stride < LINES:
        for start in range(0, LINES, 2 * stride):
            for k in range(start, start + stride):
                one, other = line[k], line[k + stride]
                line[k] = one + other
                line[k + stride] = one - other
        stride *= 2
    for k in range(LINES):
        line[k] *= 0.25


@kernel
def diffuse(x: Audio, gain: float, ring: Audio, at: int) -> int:
    """Take `x (frames,)` through an all-pass as long as its `ring`, in place; returns where it now is."""
    for n in range(x.shape[0]):
        held = ring[at]
        kept = x[n] - gain * held
        x[n] = gain * kept + held
        ring[at] = kept if abs(kept) > TINY else 0.0
        at = at + 1 if at + 1 < ring.shape[0] else 0
    return at


@kernel
def add_taps(out: Audio, padded: Audio, back: Counts, gains: Audio) -> None:
    """Add to `out (frames, 2)` taps of `padded (before + frames, 2)`, tap k from `back[k]` frames before.

    `gains (taps, 2, 2)`: to left and to right, each from left and from right.
    """
    before = padded.shape[0] - out.shape[0]
    for k in range(back.shape[0]):
        heard = padded[before - back[k] :]
        for n in range(out.shape[0]):
            left, right = heard[n, 0], heard[n, 1]
            out[n, 0] += gains[k, 0, 0] * left + gains[k, 0, 1] * right
            out[n, 1] += gains[k, 1, 0] * left + gains[k, 1, 1] * right
