"""From floating point to the integers of a delivered file: dither, rounding, and no silent clipping."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

import numpy as np

from busproc.errors import RenderError

if TYPE_CHECKING:
    from numpy.typing import NDArray


def quantise(
    block: NDArray[np.float64],
    bits: Literal[16, 24, 32],
    first_frame: int,
    *,
    dither: bool,
    seed: int = 0,
) -> NDArray[np.int32]:
    """Round a block to integers of `bits` bits, to the nearest, halves to even.

    The dither is triangular, 2 steps peak to peak, independent from channel to channel: the error then has
    mean 0 and variance d^2/4 (d = one step) whatever the input. It depends on `seed`, channel and absolute
    frame only, so any split into blocks gives the same bits. Frames in which all channels lie under 1e-20
    get none. Files that are to be added up later need different seeds, or their noise adds up in step.

    A peak of exactly 1.0 is allowed though the largest integer is one step below it: results outside the
    range are held at its ends, never more than two steps away.

    Parameters
    ----------
    block
        (frames, channels), full scale 1.0.
    bits
        Size of the integers.
    first_frame
        Position of the block's first frame in the file.
    dither
        False only where the input is on the grid of integers already, or at 32 bits.
    seed
        0 to 2^63 - 1.

    Returns
    -------
    ndarray of int32
        (frames, channels), -2^(bits-1) to 2^(bits-1) - 1, not shifted up.

    Raises
    ------
    RenderError
        A sample is over full scale, or is not a finite number.

    Source
    ------
    Lipshitz, Wannamaker, Vanderkooy, "Quantization and Dither: A Theoretical Survey", JAES 40(5), May 1992.

    Example
    -------
    >>> quantise(np.array([[0.5, -1.0]]), 16, 0, dither=False)
    array([[ 16384, -32768]], dtype=int32)
    """
    from busproc.kernels.dither import (
        quantise_dithered,
        quantise_plain,
    )  # loads the compiler: only when needed

    block = np.ascontiguousarray(block, np.float64)
    _refuse_overs(block, bits, first_frame)
    quantised = np.empty(block.shape, np.int32)
    full_scale = 2.0 ** (bits - 1)
    if dither:
        quantise_dithered(block, full_scale, first_frame, seed, quantised)
    else:
        quantise_plain(block, full_scale, quantised)
    return quantised


def count_overs(block: NDArray[np.float64]) -> int:
    """Count the samples beyond full scale, which is 1.0 either way."""
    return int(np.count_nonzero(np.abs(block) > 1.0))


def _refuse_overs(block: NDArray[np.float64], bits: int, first_frame: int) -> None:
    from busproc.kernels.stereo import largest

    peak = largest(block.reshape(-1).view(np.int64))
    if peak <= 1.0:
        return
    last_frame = first_frame + len(block) - 1
    if not math.isfinite(peak):
        raise RenderError(
            f"the audio is not a finite number somewhere in frames {first_frame} to {last_frame}"
        )
    raise RenderError(
        f"the audio peaks at {20 * math.log10(peak):+.3g} dBFS in frames {first_frame} to {last_frame} "
        f"({count_overs(block)} samples over full scale), which {bits}-bit integers cannot hold: "
        "turn it down, lower the ceiling, or write 32-bit float"
    )
