"""Quantising with triangular dither whose noise is a function of frame and channel alone."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from busproc.kernels.jit import kernel

if TYPE_CHECKING:
    from numpy.typing import NDArray

_GOLDEN = np.uint64(0x9E3779B97F4A7C15)
_MIX_1 = np.uint64(0xBF58476D1CE4E5B9)
_MIX_2 = np.uint64(0x94D049BB133111EB)
_LOW_HALF = np.uint64(0xFFFFFFFF)
_S27 = np.uint64(27)
_S30 = np.uint64(30)
_S31 = np.uint64(31)
_S32 = np.uint64(32)
_HALF_TO_UNIT = 2.0**-32

SILENT = 1e-20
"""-400 dBFS: what is left where contributions cancel but for their last bits, or a filter's last breath."""


@kernel
def hash64(number: np.uint64) -> np.uint64:
    """Scatter a 64-bit number: one step of SplitMix64.

    Source: Steele, Lea, Flood, "Fast Splittable Pseudorandom Number Generators", OOPSLA 2014; constants as in
    S. Vigna's splitmix64 (from memory; the tests hold them to its published first outputs).
    """
    mixed = number + _GOLDEN
    mixed = (mixed ^ (mixed >> _S30)) * _MIX_1
    mixed = (mixed ^ (mixed >> _S27)) * _MIX_2
    return mixed ^ (mixed >> _S31)


@kernel
def quantise_dithered(
    block: NDArray[np.float64],
    full_scale: float,
    first_frame: int,
    seed: int,
    quantised: NDArray[np.int32],
) -> None:
    """Round block (frames, channels) * full_scale + triangular noise, 2 steps peak to peak, into quantised.

    The noise is the difference of the two halves of one hash of seed, channel and absolute frame. A frame
    whose channels are all silent stays zero. Results are held within -full_scale to full_scale - 1.
    """
    frames, channels = block.shape
    streams = np.empty(channels, np.uint64)
    for channel in range(channels):
        streams[channel] = hash64(np.uint64(seed) ^ hash64(np.uint64(channel)))
    for frame in range(frames):
        is_silent = True
        for channel in range(channels):
            is_silent = is_silent and abs(block[frame, channel]) < SILENT
        if is_silent:
            quantised[frame] = 0
            continue
        step = np.uint64(first_frame + frame) * _GOLDEN
        for channel in range(channels):
            draw = hash64(streams[channel] + step)
            noise = (np.float64(draw >> _S32) - np.float64(draw & _LOW_HALF)) * _HALF_TO_UNIT
            value = np.rint(block[frame, channel] * full_scale + noise)
            quantised[frame, channel] = np.int32(min(max(value, -full_scale), full_scale - 1.0))


@kernel
def quantise_plain(block: NDArray[np.float64], full_scale: float, quantised: NDArray[np.int32]) -> None:
    """Round block (frames, channels) * full_scale, halves to even, into quantised, held as above."""
    frames, channels = block.shape
    for frame in range(frames):
        for channel in range(channels):
            value = np.rint(block[frame, channel] * full_scale)
            quantised[frame, channel] = np.int32(min(max(value, -full_scale), full_scale - 1.0))
