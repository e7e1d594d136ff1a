"""Running sums over a stereo stream."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from busproc.kernels.jit import kernel

if TYPE_CHECKING:
    from numpy.typing import NDArray

_ALL_BUT_SIGN = np.int64(0x7FFF_FFFF_FFFF_FFFF)


@kernel
def tally(audio: NDArray[np.float64], sums: NDArray[np.float64]) -> None:
    """Add interleaved stereo `audio` (frames * 2) to the running `sums` (4), frame by frame.

    `sums` holds left squared, right squared, left times right, and the largest magnitude so far.
    """
    left_power, right_power, product = sums[0], sums[1], sums[2]
    for i in range(len(audio) // 2):
        left = audio[2 * i]
        right = audio[2 * i + 1]
        left_power += left * left
        right_power += right * right
        product += left * right
    sums[0] = left_power
    sums[1] = right_power
    sums[2] = product
    sums[3] = max(sums[3], largest(audio.view(np.int64)))


@kernel
def largest(bits: NDArray[np.int64]) -> float:
    """Return the largest magnitude of numbers given by their bits.

    As whole numbers the bits of magnitudes have the order of the magnitudes, and comparing whole numbers
    goes many at a time.
    """
    most = np.int64(0)
    for i in range(len(bits)):
        most = max(most, bits[i] & _ALL_BUT_SIGN)
    return np.int64(most).view(np.float64)
