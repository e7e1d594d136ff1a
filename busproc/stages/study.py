"""What a stage must know about the whole song before it can be planned.

A study hears the bus at its stage's entrance for the whole song, in a pass of its own, and turns it into
facts. The render runs the studies in chain order, one pass for each, and freezes the facts into plan and log.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import Any

import numpy as np
from numpy.typing import NDArray

from busproc.measure.meter import Meter

Audio = NDArray[np.float64]
Facts = dict[str, Any]


class Study(ABC):
    """Listens to one pass.

    With `hears_after` it also hears what its stage makes of the bus, planned without its own facts.
    """

    hears_after: bool = False

    @abstractmethod
    def feed(self, before: Audio, after: Audio | None) -> None:
        """Take the next block of the bus `(frames, 2)`, at the stage's entrance and behind it."""

    @abstractmethod
    def facts(self) -> Facts:
        """What was found: numbers for the log, by name; anything else is for the stage alone."""


class MeterStudy(Study):
    """Measures the bus at the entrance: for a condition."""

    def __init__(self, rate_hz: int, measure: str) -> None:
        self._meter, self._measure = Meter(rate_hz, 2), measure

    def feed(self, before: Audio, after: Audio | None) -> None:  # noqa: ARG002
        """Measure."""
        self._meter.feed(before)

    def facts(self) -> Facts:
        """The one measure."""
        return {self._measure: self._meter.reading().as_dict()[self._measure]}


class LoudnessStudy(Study):
    """Finds the gain that makes what leaves as loud as what came (integrated loudness, BS.1770-5)."""

    hears_after = True

    def __init__(self, rate_hz: int, name: str) -> None:
        self._before, self._after, self._name = Meter(rate_hz, 2), Meter(rate_hz, 2), name

    def feed(self, before: Audio, after: Audio | None) -> None:
        """Measure both."""
        assert after is not None
        self._before.feed(before)
        self._after.feed(after)

    def facts(self) -> Facts:
        """The gain; 0 dB where either is silent or too short to have a loudness."""
        before, after = (meter.reading().integrated_lufs for meter in (self._before, self._after))
        gain_db = 0.0 if before is None or after is None else round(before - after, 4)
        return {self._name: gain_db}
