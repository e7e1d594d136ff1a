"""How like the beginning of a sample a piece of a recording is, at each shift to a part of a frame."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from busproc.kernels.window import kaiser, kaiser_beta

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Audio = NDArray[np.float64]

Sign = Literal[1, -1]

LEAST_LIKENESS = 0.25
"""Below this correlation nothing is common that could be in phase. Ours, like all numbers here."""
MARGIN_FRAMES = 24
"""What is needed to either side of a moment between frames, to know its value."""
_STEPS = 16
_WINDOW_DB = 80.0


@dataclass(frozen=True)
class Likeness:
    """Correlation of a sample's beginning with a recording, at shifts from `-reach` to `reach` and beyond.

    It is normalised by the recording's own energy under the same window, so that a copy of the sample can
    reach 1 only where the two lie together (Cauchy and Schwarz); the correlation alone would be drawn to
    where the recording is louder.
    """

    products: Audio
    energies: Audio

    def at_frames(self, sign: Sign) -> Audio:
        """At each whole shift, `(2 reach + 1,)`."""
        whole = slice(MARGIN_FRAMES, -MARGIN_FRAMES)
        return sign * self.products[whole] / np.sqrt(np.maximum(self.energies[whole], 1e-30))

    def shift_frames(self, sign: Sign) -> float | None:
        """The shift at which it is highest, to 0.001 frames; None if nothing is alike within the reach."""
        whole = self.at_frames(sign)
        top = int(whole.argmax())
        if whole[top] < LEAST_LIKENESS or not 0 < top < len(whole) - 1:
            return None
        near = top + np.arange(-_STEPS, _STEPS + 1) / _STEPS
        values = np.array([sign * self._between(float(each)) for each in near])
        best = min(max(int(values.argmax()), 1), len(values) - 2)
        before, here, after = values[best - 1 : best + 2]
        bend = before - 2 * here + after
        part = 0.5 * (before - after) / bend if bend < 0 else 0.0
        return round(float(near[best]) + part / _STEPS - (len(whole) - 1) // 2, 3)

    def _between(self, at_frame: float) -> float:
        product, energy = (_value(each, MARGIN_FRAMES + at_frame) for each in (self.products, self.energies))
        return product / math.sqrt(max(energy, 1e-30))


def likeness(head: Audio, window: Audio, heard: Audio) -> Likeness:
    """Hold the beginning of a sample against a piece of a recording.

    Parameters
    ----------
    head, window
        The sample from shortly before its onset on, and what each frame of it counts, both `(frames,)`.
    heard
        The recording `(frames + 2 reach + 2 MARGIN_FRAMES,)`: with the hit where the sample has its onset,
        and as much more to either side.
    """
    own = math.sqrt(max(float(np.sum(window * head**2)), 1e-30))
    return Likeness(
        np.correlate(heard, head * window / own, "valid"), np.correlate(heard**2, window, "valid")
    )


def _value(values: Audio, at: float) -> float:
    """The value between frames: a sinc under a Kaiser window."""
    whole = math.floor(at)
    part = at - whole
    if part == 0:
        return float(values[whole])
    beta = kaiser_beta(_WINDOW_DB)
    total = 0.0
    for k in range(1 - MARGIN_FRAMES, MARGIN_FRAMES + 1):
        x = part - k
        if 0 <= whole + k < len(values):
            total += (
                values[whole + k] * math.sin(math.pi * x) / (math.pi * x) * kaiser(x / MARGIN_FRAMES, beta)
            )
    return float(total)
