"""K-weighting fused with the summing of power into cells of 10 ms."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from busproc.kernels.jit import kernel
from busproc.kernels.vector import load, splat, store

if TYPE_CHECKING:
    from numpy.typing import NDArray

CELLS_PER_SECOND = 100
PAST = 16 + 8
"""Values in `past`: see `weigh_into_cells`."""

_TILE_FRAMES = 512


@kernel
def cell_edge(cell: int, rate_hz: int) -> int:
    """Return the frame at which a cell begins and the one before it ends: cell / 100 s, halves rounded up."""
    return (cell * rate_hz + CELLS_PER_SECOND // 2) // CELLS_PER_SECOND


def room_for_a_cell(rate_hz: int) -> int:
    """Return how many values `weigh_into_cells` needs for a cell and what is before and after."""
    return 8 + 2 * (rate_hz // CELLS_PER_SECOND + 1) + 8


@kernel
def cell_edges(count: int, rate_hz: int) -> NDArray[np.int64]:
    """Return the edges (count + 1) of the first `count` cells."""
    edges = np.empty(count + 1, dtype=np.int64)
    for cell in range(count + 1):
        edges[cell] = cell_edge(cell, rate_hz)
    return edges


@kernel
def move(values: NDArray[np.float64], to: NDArray[np.float64]) -> None:
    """Copy `values` to the front of `to`."""
    for i in range(len(values)):
        to[i] = values[i]


@kernel
def weigh(
    heard: NDArray[np.float64],
    design: NDArray[np.float64],
    middle: NDArray[np.float64],
    weighed: NDArray[np.float64],
    size: int,
) -> None:
    """Filter `size` values of interleaved stereo, or up to three more, by both sections.

    `heard` holds 16 values before them; `middle` takes the first section's output and `weighed` the
    second's, each behind the 8 values before.
    """
    z0, z1, z2 = splat(design[0]), splat(design[1]), splat(design[2])
    z3, z4, z5 = splat(design[3]), splat(design[4]), splat(design[5])
    z6, z7, z8 = splat(design[6]), splat(design[7]), splat(design[8])
    a2, a4, c2, c4 = splat(design[9]), splat(design[10]), splat(design[11]), splat(design[12])
    before, now = load(middle, 0), load(middle, 4)
    out_before, out = load(weighed, 0), load(weighed, 4)
    for j in range(0, size, 4):
        early = (z0 * load(heard, j + 16) + z1 * load(heard, j + 14)) + z2 * load(heard, j + 12)
        later = (z3 * load(heard, j + 10) + z4 * load(heard, j + 8)) + z5 * load(heard, j + 6)
        late = (z6 * load(heard, j + 4) + z7 * load(heard, j + 2)) + z8 * load(heard, j)
        two = (((early + later) + late) - a4 * before) - a2 * now
        before, now = now, two
        two = (now - c4 * out_before) - c2 * out
        out_before, out = out, two
        store(middle, j + 8, now)
        store(weighed, j + 8, out)


@kernel
def weigh_into_cells(
    audio: NDArray[np.float64],
    design: NDArray[np.float64],
    past: NDArray[np.float64],
    weighed: NDArray[np.float64],
    frames_before: int,
    cells_before: int,
    rate_hz: int,
    cells: NDArray[np.float64],
) -> int:
    """Filter interleaved stereo and write the energy of every cell completed into `cells`; return how many.

    `audio` (frames * 2). `design` (13): nine zeros of both sections multiplied out, then the two poles of
    each, all stretched so that a frame depends on outputs two and four frames ago: two frames are made at
    once. `past` (PAST) remembers eight frames heard and the last four out of the first section; `weighed`
    (`room_for_a_cell`) the last four of the cell before and the unfinished cell. Both are updated, and swept
    at the edges of cells of what is about to become a denormal number, which would be slow: in 10 ms nothing
    decays from 1e-30 that far.
    """
    frames = len(audio) // 2
    heard = np.zeros(16 + 2 * _TILE_FRAMES + 2)
    middle = np.zeros(8 + 2 * _TILE_FRAMES + 2)
    move(past[:16], heard)
    move(past[16:], middle)
    done = 0
    start = 0
    while start < frames:
        begin = cell_edge(cells_before + done, rate_hz) - frames_before
        edge = cell_edge(cells_before + done + 1, rate_hz) - frames_before
        stop = min(edge, frames, start + _TILE_FRAMES)
        size = 2 * (stop - start)
        move(audio[2 * start : 2 * stop], heard[16:])
        weigh(heard, design, middle, weighed[2 * (start - begin) :], size)
        move(heard[size : size + 16], heard)
        move(middle[size : size + 8], middle)
        start = stop
        if stop == edge:
            values = 2 * (edge - begin)
            cells[done] = energy(weighed[8:], values)
            done += 1
            move(weighed[values : values + 8], weighed)
            sweep(middle[:8])
            sweep(weighed[:8])
    move(heard[:16], past)
    move(middle[:8], past[16:])
    return done


@kernel
def energy(values: NDArray[np.float64], size: int) -> float:
    """Return the sum of the squares of so many values; up to seven after them are set to 0."""
    for i in range(size, size + -size % 8):
        values[i] = 0.0
    even, odd = splat(0.0), splat(0.0)
    for i in range(0, size, 8):
        one, other = load(values, i), load(values, i + 4)
        even = even + one * one
        odd = odd + other * other
    four = np.empty(4)
    store(four, 0, even + odd)
    return float((four[0] + four[1]) + (four[2] + four[3]))


@kernel
def sweep(values: NDArray[np.float64]) -> None:
    """Set to 0 what is so small that it is about to become a denormal number."""
    for i in range(len(values)):
        if abs(values[i]) < 1e-30:
            values[i] = 0.0
