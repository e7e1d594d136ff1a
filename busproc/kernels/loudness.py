"""K-weighting fused with the summing of power into cells of 10 ms."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from busproc.kernels.jit import kernel

if TYPE_CHECKING:
    from numpy.typing import NDArray

CELLS_PER_SECOND = 100
_TILE_FRAMES = 512


@kernel
def cell_edge(cell: int, rate_hz: int) -> int:
    """Return the frame at which a cell begins and the one before it ends: cell / 100 s, halves rounded up."""
    return (cell * rate_hz + CELLS_PER_SECOND // 2) // CELLS_PER_SECOND


@kernel
def cell_edges(count: int, rate_hz: int) -> NDArray[np.int64]:
    """Return the edges (count + 1) of the first `count` cells."""
    edges = np.empty(count + 1, dtype=np.int64)
    for cell in range(count + 1):
        edges[cell] = cell_edge(cell, rate_hz)
    return edges


@kernel
def swept(value: float) -> float:
    """Return 0 for a value so small that it is about to become a denormal number, which would be slow."""
    return 0.0 if abs(value) < 1e-30 else value


@kernel
def weigh_into_cells(
    audio: NDArray[np.float64],
    zeros: NDArray[np.float64],
    poles: NDArray[np.float64],
    past: NDArray[np.float64],
    state: NDArray[np.float64],
    frames_before: int,
    cells_before: int,
    rate_hz: int,
    cells: NDArray[np.float64],
) -> int:
    """Filter interleaved stereo and write the energy of every cell completed into `cells`; return how many.

    `audio` (frames * 2); `zeros` (5) is the numerator of both sections multiplied out, `poles` (4) their
    a1, a2, a1, a2. `past` (8) holds the last four frames, `state` (9) the last two outputs of each section,
    left then right, and the energy of the unfinished cell; both are updated. The state is swept at the edges
    of cells and not at every frame: in 10 ms nothing decays from 1e-30 to a denormal number.
    """
    b0, b1, b2, b3, b4 = zeros[0], zeros[1], zeros[2], zeros[3], zeros[4]
    a1, a2, c1, c2 = poles[0], poles[1], poles[2], poles[3]
    l1, l2, l3, l4 = state[0], state[1], state[2], state[3]
    r1, r2, r3, r4 = state[4], state[5], state[6], state[7]
    energy = state[8]
    frames = len(audio) // 2
    heard = np.empty(8 + 2 * _TILE_FRAMES)
    fed = np.empty(2 * _TILE_FRAMES)
    heard[:8] = past
    done = 0
    start = 0
    while start < frames:
        edge = cell_edge(cells_before + done + 1, rate_hz) - frames_before
        stop = min(edge, frames, start + _TILE_FRAMES)
        size = 2 * (stop - start)
        heard[8 : 8 + size] = audio[2 * start : 2 * stop]
        for j in range(size):
            late = b2 * heard[j + 4] + b3 * heard[j + 2] + b4 * heard[j]
            fed[j] = b0 * heard[j + 8] + b1 * heard[j + 6] + late
        for i in range(stop - start):
            l2, l1 = l1, (fed[2 * i] - a2 * l2) - a1 * l1
            r2, r1 = r1, (fed[2 * i + 1] - a2 * r2) - a1 * r1
            l4, l3 = l3, (l1 - c2 * l4) - c1 * l3
            r4, r3 = r3, (r1 - c2 * r4) - c1 * r3
            energy += l3 * l3 + r3 * r3
        for j in range(8):
            heard[j] = heard[size + j]
        start = stop
        if stop == edge:
            cells[done] = energy
            done += 1
            energy = 0.0
            l1, l2, l3, l4 = swept(l1), swept(l2), swept(l3), swept(l4)
            r1, r2, r3, r4 = swept(r1), swept(r2), swept(r3), swept(r4)
    past[:] = heard[:8]
    state[:4] = l1, l2, l3, l4
    state[4:8] = r1, r2, r3, r4
    state[8] = energy
    return done
