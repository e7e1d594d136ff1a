"""What all players share: a clock, a steady but human hand, a place on the stage and a little room."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from busproc.kernels.synth import add_reflections, soften

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from busproc.demo.score import Note, Score, Stroke

TICKS_PER_S = 200
_TAPS = 16
_NEAREST_S, _FARTHEST_S = 0.009, 0.085


@dataclass(frozen=True)
class Take:
    """One player's take: what is played, the sample rate and the player's own random numbers."""

    score: Score
    rate_hz: int
    rng: np.random.Generator

    @property
    def frames(self) -> int:
        """Length of the song in frames."""
        return int(self.score.song_s * self.rate_hz)

    @property
    def tick_frames(self) -> int:
        """Frames from one point of a control curve to the next."""
        return self.rate_hz // TICKS_PER_S

    def tick_times(self) -> NDArray[np.float64]:
        """Give the times in seconds of the points of a control curve, the last past the end of the song."""
        ticks = np.arange(self.frames // self.tick_frames + 2, dtype=np.float64)
        return ticks * (self.tick_frames / self.rate_hz)

    def silence(self, channels: int) -> NDArray[np.float64]:
        """Empty track `(frames, channels)`."""
        return np.zeros((self.frames, channels))

    def sway(self, spread: float) -> float:
        """Random number around zero with a standard deviation, never beyond 2.5 of them."""
        return spread * min(max(float(self.rng.normal()), -2.5), 2.5)

    def noise(self, seconds: float) -> NDArray[np.float64]:
        """Even noise between -1 and 1."""
        return self.rng.uniform(-1.0, 1.0, int(seconds * self.rate_hz))

    def drift(self, spread: float, step_s: float) -> NDArray[np.float64]:
        """Control curve that wanders around zero, a new aim every `step_s`."""
        aims = np.arange(0.0, self.score.song_s + 2 * step_s, step_s)
        return np.interp(self.tick_times(), aims, [self.sway(spread) for _ in aims])

    def notes(self, line: str) -> Sequence[Note]:
        """A line of the score; without one the player rests."""
        return self.score.notes.get(line, ())

    def strokes(self, line: str) -> Sequence[Stroke]:
        """A drum line of the score; without one the player rests."""
        return self.score.strokes.get(line, ())

    def held_s(self, note: Note) -> float:
        """Written length of a note in seconds."""
        return self.score.seconds(note.at + note.length) - self.score.seconds(note.at)

    def intensity(self) -> NDArray[np.float64]:
        """How loud the group plays, 0 to 1, as a control curve."""
        return np.interp(self.tick_times(), *self.score.by_time(self.score.intensity))

    def intensity_at(self, time_s: float) -> float:
        """How loud the group plays at a time, 0 to 1."""
        return float(np.interp(time_s, *self.score.by_time(self.score.intensity)))


def key_hz(key: float) -> float:
    """Frequency of a MIDI key number, A4 = 440 Hz."""
    return 440.0 * math.pow(2.0, (key - 69.0) / 12.0)


def pan_gains(pan: float) -> NDArray[np.float64]:
    """Left and right gain of equal total power; -1 is left, 1 is right."""
    return np.array([math.sqrt((1.0 - pan) / 2.0), math.sqrt((1.0 + pan) / 2.0)])


def in_room(track: NDArray[np.float64], take: Take, amount: float) -> NDArray[np.float64]:
    """Track `(frames, channels)` with early reflections of a small wooden hall, dulled a little."""
    channels = track.shape[1]
    wet = track.copy()
    soften(wet, 4500.0, take.rate_hz)
    span = math.log(_FARTHEST_S / _NEAREST_S)
    delay = np.empty((_TAPS, channels), np.int64)
    gain = np.empty((_TAPS, channels))
    for tap in range(_TAPS):
        for channel in range(channels):
            seconds = _NEAREST_S * math.exp(span * (tap + float(take.rng.uniform())) / _TAPS)
            delay[tap, channel] = int(seconds * take.rate_hz)
            side = -1.0 if take.rng.uniform() < 0.5 else 1.0
            gain[tap, channel] = side * amount * math.exp(-seconds / 0.045)
    out = track.copy()
    add_reflections(out, wet, delay, gain)
    return out
