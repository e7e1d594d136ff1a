"""Running sums over a stereo stream."""

from __future__ import annotations

from typing import TYPE_CHECKING

from busproc.kernels.jit import kernel

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


@kernel
def tally(audio: NDArray[np.float64], sums: NDArray[np.float64]) -> None:
    """Add interleaved stereo `audio` (frames * 2) to the running `sums` (4), frame by frame.

    `sums` holds left squared, right squared, left times right, and the largest magnitude so far.
    """
    left_power, right_power, product, peak = sums[0], sums[1], sums[2], sums[3]
    for i in range(len(audio) // 2):
        left = audio[2 * i]
        right = audio[2 * i + 1]
        left_power += left * left
        right_power += right * right
        product += left * right
        peak = max(peak, abs(left))
        peak = max(peak, abs(right))
    sums[0] = left_power
    sums[1] = right_power
    sums[2] = product
    sums[3] = peak
