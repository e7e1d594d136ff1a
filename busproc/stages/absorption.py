"""What walls absorb: how fast sound in a room dies away, and the filters that make a delay line do so."""

from __future__ import annotations

import cmath
import math
from collections.abc import Sequence
from dataclasses import dataclass

from busproc.stages import filters
from busproc.stages.filters import Section

FLAT_Q = 0.5**0.5
"""Of shelves: the steepest that rise without a bump."""
INSIDE = 2.2
"""The shelves' corners lie by this factor inside the outer frequencies."""
SLOWER = 1.15
"""Sound far below or above the outer frequencies may die away by this factor more slowly than there."""
LEVEL_DB = 1e-6
"""A shelf of less than this is none."""
ROUNDS = 8
"""Enough for levels that depend on each other to settle."""


@dataclass(frozen=True)
class Decay:
    """Times to fall by 60 dB, and the frequencies of the outer two; the middle is half way, in octaves."""

    low_s: float
    mid_s: float
    high_s: float
    low_hz: float
    high_hz: float

    @property
    def mid_hz(self) -> float:
        """Where the middle time holds."""
        return math.sqrt(self.low_hz * self.high_hz)

    def absorption(self, frames: int, rate_hz: int) -> tuple[Section, Section]:
        """Sections of a line so long that sound in it dies away as asked.

        A gain in dB in proportion to the length gives all lines one decay time (J.-M. Jot and A. Chaigne,
        'Digital Delay Networks for Designing Artificial Reverberators', AES 90, 1991).
        """
        return self._sections(self._levels_db(frames, rate_hz), rate_hz)

    def slowest_s(self, frames: int, rate_hz: int) -> float:
        """The longest decay time at any frequency: a little more than the longest that is asked for."""
        return -60 * frames / (max(self._levels_db(frames, rate_hz)) * rate_hz)

    def _sections(self, levels_db: Sequence[float], rate_hz: int) -> tuple[Section, Section]:
        """Two shelves that have these levels far below, between and far above them."""
        low, mid, high = levels_db
        first = filters.low_shelf(self.low_hz * INSIDE, low - mid, FLAT_Q, rate_hz)
        second = filters.high_shelf(self.high_hz / INSIDE, high - mid, FLAT_Q, rate_hz)
        return filters.scaled(first, 10 ** (mid / 20)), second

    def _reaches(self, levels_db: Sequence[float], rate_hz: int) -> list[tuple[float, float]]:
        """What of the lower and of the upper shelf reaches each of the three frequencies."""
        low, mid, high = levels_db
        first, second = self._sections((low - mid, 0.0, high - mid), rate_hz)
        return [
            (
                _share(_gain_db(first, freq_hz, rate_hz), low - mid),
                _share(_gain_db(second, freq_hz, rate_hz), high - mid),
            )
            for freq_hz in (self.low_hz, self.mid_hz, self.high_hz)
        ]

    def _levels_db(self, frames: int, rate_hz: int) -> list[float]:
        """Levels of the shelves with which the three frequencies come out as asked.

        Where that goes too far they stop, well below 0 dB: so nothing in the network can grow.
        """
        asked = [-60 * frames / (each * rate_hz) for each in (self.low_s, self.mid_s, self.high_s)]
        (to_low, _), (low_to_mid, high_to_mid), (_, to_high) = self._reaches(asked, rate_hz)
        low, mid, high = asked
        for _ in range(ROUNDS):
            low = min(mid + (asked[0] - mid) / (to_low or 1.0), asked[0] / SLOWER)
            high = min(mid + (asked[2] - mid) / (to_high or 1.0), asked[2] / SLOWER)
            mid = (asked[1] - low_to_mid * low - high_to_mid * high) / (1 - low_to_mid - high_to_mid)
            mid = min(mid, max(asked))
        return [low, mid, high]


def _share(part_db: float, whole_db: float) -> float:
    return part_db / whole_db if abs(whole_db) > LEVEL_DB else 0.0


def _gain_db(section: Section, freq_hz: float, rate_hz: int) -> float:
    b0, b1, b2, a1, a2 = section
    z = cmath.exp(-1j * filters.turn_of(freq_hz, rate_hz))
    return 20 * math.log10(abs((b0 + z * (b1 + z * b2)) / (1 + z * (a1 + z * a2))))
