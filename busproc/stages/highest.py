"""The highest level in a while: what holds a gate open, and does not follow the single waves of a tone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from busproc.kernels import limit

Audio = NDArray[np.float64]


@dataclass(frozen=True)
class Highest:
    """The highest of the last `frames` values."""

    frames: int

    def start(self) -> dict[str, Any]:
        """Nothing has been heard."""
        return {
            "values": np.zeros(self.frames),
            "places": np.zeros(self.frames, dtype=np.int64),
            "ends": np.zeros(3, dtype=np.int64),
        }

    def of(self, values: Audio, memory: dict[str, Any]) -> Audio:
        """The highest up to each of `values (frames,)`; updates `memory`."""
        if self.frames == 1:
            return values
        lowest = limit.slide_minimum(-values, self.frames, memory["values"], memory["places"], memory["ends"])
        return -lowest
