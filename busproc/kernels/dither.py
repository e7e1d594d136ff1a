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
_TILE_FRAMES = 512

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
    noise = np.empty((_TILE_FRAMES, channels))
    for first in range(0, frames, _TILE_FRAMES):
        now = block[first : first + _TILE_FRAMES]
        new = quantised[first : first + _TILE_FRAMES]
        stereo = len(now) if channels == 2 else 0
        draw_stereo(streams[0], streams[-1], first_frame + first, noise[:stereo].reshape(-1))
        draw(streams, first_frame + first, noise[stereo : len(now)])
        round_off(now.reshape(-1), noise.reshape(-1), full_scale, new.reshape(-1))
        keep_silence(now, new)


@kernel
def draw(streams: NDArray[np.uint64], first_frame: int, noise: NDArray[np.float64]) -> None:
    """Fill `noise` (frames, channels)."""
    for frame in range(len(noise)):
        step = np.uint64(first_frame + frame) * _GOLDEN
        for channel in range(len(streams)):
            noise[frame, channel] = triangular(np.uint64(hash64(streams[channel] + step)))


@kernel
def draw_stereo(left: np.uint64, right: np.uint64, first_frame: int, noise: NDArray[np.float64]) -> None:
    """The same for two channels, whose number the compiler then knows: it goes many frames at a time."""
    for frame in range(len(noise) // 2):
        step = np.uint64(first_frame + frame) * _GOLDEN
        noise[2 * frame] = triangular(np.uint64(hash64(left + step)))
        noise[2 * frame + 1] = triangular(np.uint64(hash64(right + step)))


@kernel
def triangular(draw: np.uint64) -> float:
    """From the bits of a hash to a number between -1 and 1, 0 the likeliest."""
    return (np.float64(np.int64(draw >> _S32)) - np.float64(np.int64(draw & _LOW_HALF))) * _HALF_TO_UNIT


@kernel
def round_off(
    values: NDArray[np.float64],
    noise: NDArray[np.float64],
    full_scale: float,
    quantised: NDArray[np.int32],
) -> None:
    """Round values * full_scale + noise, halves to even, into quantised."""
    for i in range(len(values)):
        value = np.rint(values[i] * full_scale + noise[i])
        quantised[i] = np.int32(min(max(value, -full_scale), full_scale - 1.0))


@kernel
def keep_silence(block: NDArray[np.float64], quantised: NDArray[np.int32]) -> None:
    """Set frames to zero whose channels all are silent."""
    values = block.reshape(-1)
    silent = 0
    for i in range(len(values)):
        silent += abs(values[i]) < SILENT
    for frame in range(len(block) if silent else 0):
        is_silent = True
        for channel in range(block.shape[1]):
            is_silent = is_silent and abs(block[frame, channel]) < SILENT
        if is_silent:
            quantised[frame] = 0


@kernel
def quantise_plain(block: NDArray[np.float64], full_scale: float, quantised: NDArray[np.int32]) -> None:
    """Round block (frames, channels) * full_scale, halves to even, into quantised, held as above."""
    values, rounded = block.reshape(-1), quantised.reshape(-1)
    for i in range(len(values)):
        value = np.rint(values[i] * full_scale)
        rounded[i] = np.int32(min(max(value, -full_scale), full_scale - 1.0))
