"""Whole numbers of 24 bits, three bytes each with the lowest first, as WAV files hold them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from busproc.kernels.jit import kernel

if TYPE_CHECKING:
    from numpy.typing import NDArray


@kernel
def unpack_24(packed: NDArray[np.uint8], samples: NDArray[np.float64]) -> None:
    """Turn `packed` (3 * samples) into `samples`, full scale 1.0."""
    for i in range(len(samples)):
        low, middle, high = packed[3 * i], packed[3 * i + 1], packed[3 * i + 2]
        shifted = (np.int32(low) << 8) | (np.int32(middle) << 16) | (np.int32(high) << 24)
        samples[i] = np.float64(np.int32(shifted)) * 2.0**-31


@kernel
def pack_24(numbers: NDArray[np.int32], packed: NDArray[np.uint8]) -> None:
    """Turn whole numbers of -2^23 to 2^23 - 1 into bytes (3 * numbers)."""
    for i in range(len(numbers)):
        number = numbers[i]
        packed[3 * i] = number & 255
        packed[3 * i + 1] = (number >> 8) & 255
        packed[3 * i + 2] = (number >> 16) & 255
