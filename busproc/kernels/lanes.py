"""What is done to all lanes `(frames, lanes, 2)` alike, in one pass."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busproc.kernels.jit import kernel

Audio = NDArray[np.float64]


def multiply(lanes: Audio, gain: Audio) -> Audio:
    """Each frame times its `gain (frames,)`."""
    if lanes.shape[1] == 1:
        return multiply_bus(np.ascontiguousarray(lanes[:, 0]), gain)[:, None]
    return multiply_lanes(lanes, gain)


@kernel
def multiply_bus(bus: Audio, gain: Audio) -> Audio:
    """Without a loop over lanes several frames go at a time: `bus (frames, 2)`."""
    out = np.empty(bus.shape)
    flat, made = bus.reshape(-1), out.reshape(-1)
    for n in range(gain.shape[0]):
        made[2 * n] = flat[2 * n] * gain[n]
        made[2 * n + 1] = flat[2 * n + 1] * gain[n]
    return out


@kernel
def multiply_lanes(lanes: Audio, gain: Audio) -> Audio:
    """Any number of lanes."""
    out = np.empty(lanes.shape)
    for n in range(gain.shape[0]):
        for k in range(lanes.shape[1]):
            out[n, k, 0] = lanes[n, k, 0] * gain[n]
            out[n, k, 1] = lanes[n, k, 1] * gain[n]
    return out


@kernel
def mix_sides(lanes: Audio, rows: tuple[tuple[float, float], tuple[float, float]]) -> Audio:
    """Left and right mixed by a matrix whose rows are those of left and right in the output."""
    out = np.empty(lanes.shape)
    flat, made = np.ascontiguousarray(lanes).reshape(-1), out.reshape(-1)
    (left_left, right_left), (left_right, right_right) = rows
    for n in range(0, flat.shape[0], 2):
        made[n] = left_left * flat[n] + right_left * flat[n + 1]
        made[n + 1] = left_right * flat[n] + right_right * flat[n + 1]
    return out
