"""Linear prediction: what rings on is foreseen from what was, what is struck is not."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from busproc.kernels.foresee import foreseeing, surprises

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Audio = NDArray[np.float64]

HOP_MS = 1.0
ORDER = 32
LEARN_HOPS, STEP_HOPS = 30, 8
"""Each 8 ms are foreseen from the 30 ms before them. Ours, like all numbers here."""


def unforeseen(sound: Audio, rate_hz: int) -> Audio:
    """What is left of `sound (frames, channels)`, each channel foreseen by itself from its last 30 ms."""
    hop = round(HOP_MS * rate_hz / 1000)
    learn, step = LEARN_HOPS * hop, STEP_HOPS * hop
    steps = -(-len(sound) // step)
    padded = np.pad(sound, ((learn, steps * step - len(sound)), (0, 0)))
    out = np.empty((steps * step, sound.shape[1]))
    for begin in range(0, steps * step, step):
        for c in range(sound.shape[1]):
            piece = padded[begin : begin + learn + step, c : c + 1]
            taps = foreseeing(piece[:learn], ORDER)
            out[begin : begin + step, c : c + 1] = surprises(piece[learn - ORDER :], taps)
    return out[: len(sound)]
