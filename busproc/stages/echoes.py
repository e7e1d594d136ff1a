"""Sound that comes again and again, a treatment like those in `treatments`; how long it can be heard."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from busproc.kernels import biquad, echo, fraction
from busproc.kernels.echo import Rows
from busproc.stages.treatments import Audio, Treatment

HEARD_DBFS = -90.0
"""Echoes are told, and a song goes on, as long as what is still to come adds up to more than this."""

SLOWEST = 1.21
"""Longest delay of a Butterworth section of second order against that far inside its band (worked out)."""

NO_GAIN = np.ones(0)


@dataclass
class EchoState:
    """The line, where it is read and written next, and what interpolation and filters remember."""

    line: Audio
    part: Audio
    filters: Audio
    at: int = 0


@dataclass(frozen=True)
class Echoes(Treatment):
    """Send sound round through a delay and filters, and add what comes; the decision turns it down.

    `into` and `back` are the matrices by which new sound and what comes round enter the line, `wet` that by
    which it is added to `dry` times the sound. `frames` and `taps` (of `fraction.taps_of`) make the delay,
    `filters (sections, 5)` shape it each time. The decision is a gain `(frames,)`; none where nothing ducks.
    """

    dry: float
    wet: Rows
    into: Rows
    back: Rows
    frames: int
    taps: Audio
    filters: Audio
    ducks: bool

    @property
    def is_gain(self) -> bool:  # type: ignore[override]
        """Whether the decision is a gain curve to be counted."""
        return self.ducks

    def start(self, lanes: int) -> EchoState:
        """Silence everywhere."""
        return EchoState(
            line=np.zeros((self.frames, lanes, 2)),
            part=fraction.start(2 * lanes),
            filters=np.zeros((len(self.filters), 2, 2 * lanes)),
        )

    def apply(self, state: EchoState, decision: Audio | None, lanes: Audio) -> Audio:
        """Go round as far as the line reaches, piece by piece."""
        if not any(map(any, self.wet)):
            return lanes
        out, at = np.empty(lanes.shape), 0
        while at < len(lanes):
            count = min(self.frames - state.at, len(lanes) - at)
            now = slice(at, at + count)
            line = state.line[state.at : state.at + count]
            echoes = self._come_round(state, line)
            echo.feed(line, lanes[now], echoes, self.into, self.back)
            gain = NO_GAIN if decision is None else decision[now]
            echo.blend(out[now], lanes[now], echoes, self.dry, self.wet, gain)
            at, state.at = at + count, (state.at + count) % self.frames
        return out

    def _come_round(self, state: EchoState, line: Audio) -> Audio:
        """Late by the part of a frame that is missing, and filtered."""
        columns = fraction.hold_back(self.taps, state.part, line.reshape(len(line), -1))
        if len(self.filters):
            columns = biquad.run_sections(self.filters, state.filters, columns)
        return columns.reshape(line.shape)


def echoes_heard(level: float, feedback: float) -> int:
    """How many echoes there are until all later ones together are under -90 dBFS.

    After a full-scale tone that has built up: `level` is that of the first echo, `feedback` that of each
    against the one before, 0 to less than 1, both linear.

    >>> echoes_heard(1.0, 0.5), echoes_heard(0.25, 0.0), echoes_heard(0.0, 0.5)
    (16, 1, 0)
    """
    if not level:
        return 0
    if not feedback:
        return 1
    quiet = 10 ** (HEARD_DBFS / 20) * (1 - feedback) / level
    return max(1, math.ceil(math.log(quiet) / math.log(feedback)))


def tail_s(echoes: int, time_s: float, corners_hz: tuple[float, ...]) -> float:
    """How long so many echoes last, each through Butterworth sections of second order at these corners.

    Each echo is late by what the filters hold back at most, the last one rings until it is down by 90 dB.
    A section far inside its band delays by sqrt(2) / (2 pi f), which is its time constant too: textbook.
    """
    held_s = sum(math.sqrt(2) / (2 * math.pi * corner) for corner in corners_hz)
    rings_s = held_s * -HEARD_DBFS / 20 * math.log(10)
    return echoes * (time_s + SLOWEST * held_s) + rings_s if echoes else 0.0
