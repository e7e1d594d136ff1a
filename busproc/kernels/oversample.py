"""Up to 32 times the rate and back through half-band filters, doubling by doubling.

Each doubling is a linear-phase half-band filter (Kaiser window, 140 dB): the samples that were there pass
untouched, those between are a weighted sum of neighbours. The first decides the pass band (flat to 20 kHz
at 44.1 kHz); the later ones have room and are short. Halving uses the same filters. Source of the window
and its length rule: J. F. Kaiser, 'Nonrecursive digital filter design using the I0-sinh window function',
1974 (formula from memory, response measured in the tests).

Sound at level l of the way up, 2**l times the rate, lies in 2**l *phases*, each a row at the base rate:
phase p holds the fine samples p, p + 2**l, .. So every filter is a plain sum of shifted rows, whatever the
number of columns, and nothing is interleaved before the end. A row begins with the frames before, as many
as the next filter looks back, and the work goes on in tiles that stay in the processor's nearest memory.
"""

from __future__ import annotations

import functools

import numpy as np
from numpy.typing import NDArray

from busproc.kernels.jit import kernel
from busproc.kernels.vector import load, load_pairs, splat, store, store_pairs
from busproc.kernels.window import half_band, kaiser_beta

Audio = NDArray[np.float64]
Counts = NDArray[np.int64]

REACH = (52, 10, 7, 6, 5)
"""Neighbours on either side, for each doubling."""

WINDOW_DB = (140.0, 150.0, 162.0, 150.0, 132.0)
"""What shapes the Kaiser window of each doubling; found by trial, so that no image is over -140 dB."""

DELAY = (52, 10, 8, 8, 16)
"""How late each doubling is, in samples of its input: at least its reach, and whole base frames."""

TILE_FRAMES = 128
"""Base frames worked on at a time."""

ROOM = 32
"""Values by which a row is longer than its sound: filters make so many at once."""


@functools.cache
def taps(doubling: int) -> Audio:
    """Weights of the nearest, second nearest .. neighbours on one side (0 is the first doubling)."""
    made = np.array(half_band(REACH[doubling], kaiser_beta(WINDOW_DB[doubling])))
    made.setflags(write=False)
    return made


def up_latency_frames(factor: int) -> int:
    """Delay of `up` alone, in frames at the base rate."""
    return sum(_delays(factor))


def latency_frames(factor: int) -> int:
    """Delay of `up` followed by `down`, in frames at the base rate."""
    return 2 * up_latency_frames(factor)


def _delays(factor: int) -> list[int]:
    """Delay of each doubling, in frames at the base rate."""
    return [DELAY[doubling] >> doubling for doubling in range(factor.bit_length() - 1)]


@functools.cache
def layout_of(factor: int, *, upwards: bool) -> Counts:
    """Rows of the phases, level by level: (where the first starts, length of each, past values in front)."""
    past = [4 * delay for delay in _delays(factor)]  # twice the delay, left and right
    rows, start = [], 0
    for level, before in enumerate([*past, 0] if upwards else [0, *past]):
        length = before + 2 * TILE_FRAMES + ROOM
        rows.append((start, length, before))
        start += length << level
    made = np.array([*rows, (start, 0, 0)])
    made.setflags(write=False)
    return made


@functools.cache
def places_of(factor: int, *, upwards: bool) -> Counts:
    """Where the neighbours of each row's first value lie: (level, phase, nearest first, before and after)."""
    layout = layout_of(factor, upwards=upwards).tolist()
    doublings = len(layout) - 2
    made = np.zeros((doublings, 1 << max(0, doublings - 1), max(REACH), 2), dtype=np.int64)
    for level in range(doublings):
        start, length, past = layout[level if upwards else level + 1]
        start, length = (start, length) if upwards else (start + length, 2 * length)  # the odd phases
        for phase, i, side in np.ndindex(1 << level, REACH[level], 2):
            sample = (phase if upwards else phase - 1) + (i + 1 if side else -i)
            frame, row = divmod(sample, 1 << level)
            made[level, phase, i, side] = start + row * length + past // 2 + 2 * frame
    made.setflags(write=False)
    return made


@functools.cache
def all_weights() -> Audio:
    """Weights of all doublings, a row each, filled up with zeros."""
    made = np.zeros((len(REACH), max(REACH)))
    for row, reach in enumerate(REACH):
        made[row, :reach] = taps(row)
    made.setflags(write=False)
    return made


def start_up(factor: int, columns: int) -> Audio:
    """Make a fresh memory of `up`."""
    return np.zeros(((columns + 1) // 2, layout_of(factor, upwards=True)[-1, 0]))


def start_down(factor: int, columns: int) -> Audio:
    """Make a fresh memory of `down`."""
    return np.zeros(((columns + 1) // 2, layout_of(factor, upwards=False)[-1, 0]))


def up(factor: int, memory: Audio, x: Audio) -> Audio:
    """Raise the rate of `x (frames, columns)`; returns `(frames * factor, columns)`."""
    layout, places = layout_of(factor, upwards=True), places_of(factor, upwards=True)
    return raise_rate(layout, places, all_weights(), memory, _in_pairs(x))[:, : x.shape[1]]


def down(factor: int, memory: Audio, x: Audio, ratio: Audio | None = None) -> Audio:
    """Lower the rate of `x (frames * factor, columns)`; returns `(frames, columns)`.

    With a `ratio (frames * factor, 2)`, that of x * (ratio - 1), left and right by turns.
    """
    layout, places = layout_of(factor, upwards=False), places_of(factor, upwards=False)
    bend = np.empty((0, 2)) if ratio is None else ratio
    return lower_rate(layout, places, all_weights(), memory, _in_pairs(x), bend)[:, : x.shape[1]]


def _in_pairs(x: Audio) -> Audio:
    """A silent column more where their number is odd: the kernels take left and right together."""
    return np.pad(x, ((0, 0), (0, 1))) if x.shape[1] % 2 else np.ascontiguousarray(x)


@kernel
def raise_rate(layout: Counts, places: Counts, weights: Audio, memory: Audio, x: Audio) -> Audio:
    """Climb from level 0 to the top, tile by tile, pair of columns by pair. `memory` is updated."""
    top, frames, columns = layout.shape[0] - 2, x.shape[0], x.shape[1]
    factor = 1 << top
    fine = np.empty(factor * columns * (frames + 1))  # one frame more, because frames are written in pairs
    start, length, entrance = layout[top, 0], layout[top, 1], layout[0, 2]
    for first in range(0, frames, TILE_FRAMES):
        count = min(TILE_FRAMES, frames - first)
        for pair in range(columns // 2):
            rows = memory[pair]
            for n in range(count):
                rows[entrance + 2 * n] = x[first + n, 2 * pair]
                rows[entrance + 2 * n + 1] = x[first + n, 2 * pair + 1]
            for level in range(top):
                double(layout, places, weights, rows, level, 2 * count)
            for phase in range(factor):
                for n in range(0, count, 2):
                    at = (factor * (first + n) + phase) * columns + 2 * pair
                    store_pairs(fine, at, at + factor * columns, load(rows, start + phase * length + 2 * n))
    return fine[: factor * columns * frames].reshape(-1, columns)


@kernel
def lower_rate(
    layout: Counts, places: Counts, weights: Audio, memory: Audio, fine: Audio, ratio: Audio
) -> Audio:
    """Descend from the top to level 0, tile by tile, pair of columns by pair. `memory` is updated.

    A ratio is applied on the way in, where there is one.
    """
    top, columns = layout.shape[0] - 2, fine.shape[1]
    factor = 1 << top
    frames = fine.shape[0] // factor
    y = np.empty((frames, columns))
    sound, bend, one = fine.reshape(-1), ratio.reshape(-1), splat(1.0)
    start, length, past = layout[top]
    for first in range(0, frames, TILE_FRAMES):
        count = min(TILE_FRAMES, frames - first)
        for pair in range(columns // 2):
            rows = memory[pair]
            for phase in range(factor):
                into = start + phase * length + past
                for n in range(0, count, 2):
                    at = factor * (first + n) + phase
                    then = factor * min(first + n + 1, frames - 1) + phase
                    two = load_pairs(sound, at * columns + 2 * pair, then * columns + 2 * pair)
                    if ratio.shape[0]:
                        two = two * (load_pairs(bend, 2 * at, 2 * then) - one)
                    store(rows, into + 2 * n, two)
            for level in range(top - 1, -1, -1):
                halve(layout, places, weights, rows, level, 2 * count)
            for n in range(count):
                y[first + n, 2 * pair] = rows[2 * n]
                y[first + n, 2 * pair + 1] = rows[2 * n + 1]
    return y


@kernel
def double(layout: Counts, places: Counts, weights: Audio, memory: Audio, level: int, size: int) -> None:
    """Climb from one level to the next: phase p becomes phase 2 p, and 2 p + 1 lies between."""
    start, length, past = layout[level]
    above, above_length, above_past = layout[level + 1]
    for phase in range(1 << level):
        same = above + 2 * phase * above_length + above_past
        now = start + phase * length + past // 2
        for j in range(0, size, 4):
            store(memory, same + j, load(memory, now + j))
        between(memory, places[level, phase], weights[level], REACH[level], same + above_length, size)
    forget(memory, start, length, 1 << level, past, size)


@kernel
def halve(layout: Counts, places: Counts, weights: Audio, memory: Audio, level: int, size: int) -> None:
    """Descend to a level from the one above: half of phase 2 p and of what lies between the odd ones."""
    start, length, past = layout[level + 1]
    below, below_length, below_past = layout[level]
    half = splat(0.5)
    for phase in range(1 << level):
        into = below + phase * below_length + below_past
        now = start + 2 * phase * length + past // 2
        between(memory, places[level, phase], weights[level], REACH[level], into, size)
        for j in range(0, size, 4):
            store(memory, into + j, half * (load(memory, now + j) + load(memory, into + j)))
    forget(memory, start, length, 2 << level, past, size)


@kernel
def between(memory: Audio, places: Counts, weights: Audio, reach: int, into: int, size: int) -> None:
    """Weigh neighbours by pairs: `places (.., 2)` says where those of the first value lie."""
    for j in range(0, size, 32):
        a = b = c = d = e = f = g = h = splat(0.0)
        for i in range(reach):
            weight = splat(weights[i])
            m, n = places[i, 0] + j, places[i, 1] + j
            a = a + weight * (load(memory, m) + load(memory, n))
            b = b + weight * (load(memory, m + 4) + load(memory, n + 4))
            c = c + weight * (load(memory, m + 8) + load(memory, n + 8))
            d = d + weight * (load(memory, m + 12) + load(memory, n + 12))
            e = e + weight * (load(memory, m + 16) + load(memory, n + 16))
            f = f + weight * (load(memory, m + 20) + load(memory, n + 20))
            g = g + weight * (load(memory, m + 24) + load(memory, n + 24))
            h = h + weight * (load(memory, m + 28) + load(memory, n + 28))
        store(memory, into + j, a)
        store(memory, into + j + 4, b)
        store(memory, into + j + 8, c)
        store(memory, into + j + 12, d)
        store(memory, into + j + 16, e)
        store(memory, into + j + 20, f)
        store(memory, into + j + 24, g)
        store(memory, into + j + 28, h)


@kernel
def forget(memory: Audio, start: int, length: int, rows: int, past: int, size: int) -> None:
    """Move the newest values of each row to its front, for the next tile."""
    for row in range(start, start + rows * length, length):
        for j in range(0, past, 4):
            store(memory, row + j, load(memory, row + size + j))
