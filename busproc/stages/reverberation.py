"""A room as a network of delays: its lengths, its reflections, and the treatment that it is."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar, TypeVar

import numpy as np
from numpy.typing import NDArray

from busproc.kernels import feedback
from busproc.kernels import lanes as in_all_lanes
from busproc.stages.absorption import Decay
from busproc.stages.treatments import Audio, DelayLine, Sections, Treatment

N = TypeVar("N", np.float64, np.int64)
Counts = NDArray[np.int64]

SHORTEST, LONGEST = 0.55, 1.65
"""Delays of the network, in mean times from wall to wall."""
ALL_PASS_SIZES = (0.07, 0.11, 0.17, 0.26)
"""Lengths of the all-passes in front, likewise."""
MOST_DIFFUSE = 0.7
"""Coefficient of the all-passes at density 1: they die out soonest and are still flat. Common practice."""
TAPS = 24
FIRST_TAP, LAST_TAP = 0.12, 2.0
"""When the early part begins and ends, in mean times from wall to wall."""


def primes_near(wanted: Sequence[float]) -> list[int]:
    """Prime numbers, each once, from the wanted ones up: no two have a common divisor.

    >>> primes_near([24, 24.5, 30])
    [29, 31, 37]
    """
    found: list[int] = []
    for least in wanted:
        number = math.ceil(least)
        while number in found or not _is_prime(number):
            number += 1
        found.append(number)
    return found


def _is_prime(number: int) -> bool:
    return number > 1 and all(number % k for k in range(2, math.isqrt(number) + 1))


@dataclass(frozen=True)
class Network:
    """All that a room is made of; `run` and `early` are linear and the same for every lane.

    Lengths in frames: `ends (17,)` of the lines in their ring, `back (taps,)` of the early part, and
    `all_passes`, four for left and four for right. `rows (16, 10)` absorb, `turning` and `turns (8, 2)`
    move, `gains (taps, 2, 2)` are those of the early part, from each side to each.
    """

    ends: Counts
    rows: Audio
    turning: Audio
    turns: Audio
    all_passes: tuple[tuple[int, ...], ...]
    diffusion: float
    back: Counts
    gains: Audio
    late_gain: float


def network(
    decay: Decay,
    size_ms: float,
    density: float,
    early_db: float,
    modulation_hz: float,
    seed: int,
    rate_hz: int,
) -> Network:
    """Design a room; noise leaves it as loud as it came, early and late together."""
    rng = np.random.default_rng(seed)
    size = size_ms / 1000 * rate_hz
    lengths = _lengths(size, rng)
    early, late = (10 ** (db / 20) / math.sqrt(1 + 10 ** (early_db / 10)) for db in (early_db, 0.0))
    back, gains = _early(size, rng)
    angles = [2 * math.pi * float(each) for each in rng.random(feedback.LINES // 2)]
    speeds = [math.pi * modulation_hz / rate_hz * (1 + 2 * float(each)) for each in rng.random(len(angles))]
    speeds[::2] = [-each for each in speeds[::2]]
    sections = [decay.absorption(length, rate_hz) for length in lengths]
    return Network(
        ends=_kept(np.cumsum([0, *lengths], dtype=np.int64)),
        rows=_kept(np.array([[*first, *second] for first, second in sections])),
        turning=_on_circle(angles),
        turns=_on_circle(speeds),
        all_passes=_all_passes(size, rng),
        diffusion=MOST_DIFFUSE * density,
        back=_kept(back),
        gains=_kept(early * gains),
        late_gain=late * _late_gain(lengths, decay, rate_hz),
    )


def _lengths(size: float, rng: np.random.Generator) -> list[int]:
    """Spread evenly over their logarithm, each a little off its place, in no order."""
    steps = (np.arange(feedback.LINES) + 0.6 * rng.random(feedback.LINES)) / feedback.LINES
    wanted = [size * SHORTEST * (LONGEST / SHORTEST) ** float(step) for step in steps]
    return [int(each) for each in rng.permutation(primes_near(wanted))]


def _kept(array: NDArray[N]) -> NDArray[N]:
    """The array, from now on for reading only."""
    array.setflags(write=False)
    return array


def _on_circle(angles: list[float]) -> Audio:
    return _kept(np.array([[math.cos(angle), math.sin(angle)] for angle in angles]))


def _all_passes(size: float, rng: np.random.Generator) -> tuple[tuple[int, ...], ...]:
    """Lengths for left and right, all different."""
    wanted = [size * each * (1 + 0.3 * float(rng.random())) for each in ALL_PASS_SIZES for _ in range(2)]
    lengths = primes_near(wanted)
    return tuple(lengths[::2]), tuple(lengths[1::2])


def _early(size: float, rng: np.random.Generator) -> tuple[Counts, Audio]:
    """Taps to left and right in turn, weaker the later, mostly from the side they go to; energy 1 a side."""
    steps = (np.arange(TAPS) + rng.random(TAPS)) / TAPS
    times = [FIRST_TAP * (LAST_TAP / FIRST_TAP) ** float(step) for step in steps]
    gains = np.zeros((TAPS, 2, 2))
    for k, (time, angle, turned) in enumerate(zip(times, rng.random(TAPS), rng.random(TAPS), strict=True)):
        level = (1 if turned < 0.5 else -1) / (1 + time)
        turn = math.pi / 2 * (float(angle) - 0.5)
        gains[k, k % 2, k % 2], gains[k, k % 2, 1 - k % 2] = level * math.cos(turn), level * math.sin(turn)
    back = np.array([max(1, round(time * size)) for time in times], dtype=np.int64)
    for side in range(2):
        gains[:, side] /= math.sqrt(math.fsum((gains[:, side] ** 2).ravel()))
    return back, gains


def _late_gain(lengths: list[int], decay: Decay, rate_hz: int) -> float:
    """What makes the network as loud as its input: a geometric series of what each round leaves."""
    left = [10 ** (-6 * length / (decay.mid_s * rate_hz)) for length in lengths]
    mean = math.fsum(left) / len(left)
    return math.sqrt((1 - mean) / (len(left) * mean))


@dataclass
class LaneState:
    """What one lane leaves in the room."""

    at: Counts
    ring: Audio
    memory: Audio
    turning: Audio
    all_passes: list[list[Audio]]
    all_passes_at: list[list[int]]
    before: Audio


@dataclass
class RoomState:
    """What the cuts, the pre-delay and each lane remember."""

    cut: tuple[Audio, Audio, Audio]
    waiting: DelayLine
    lanes: list[LaneState]


@dataclass(frozen=True)
class Room(Treatment):
    """Blend lanes with the sound of a network, cut before it and made wider or narrower behind it.

    `width` 0 is mono, 1 as it comes; either way the energy stays. Decides nothing.
    """

    network: Network
    cut: Sections
    pre_delay_frames: int
    width: float
    mix: float
    shapes_spectrum: ClassVar[bool] = True

    def start(self, lanes: int) -> RoomState:
        """An empty room for each lane."""
        waiting = DelayLine(self.pre_delay_frames, (lanes, 2))
        return RoomState(self.cut.start(lanes), waiting, [self._empty() for _ in range(lanes)])

    def _empty(self) -> LaneState:
        made = self.network
        return LaneState(
            at=made.ends[:-1].copy(),
            ring=np.zeros(made.ends[-1]),
            memory=np.zeros((feedback.LINES, 4)),
            turning=made.turning.copy(),
            all_passes=[[np.zeros(length) for length in side] for side in made.all_passes],
            all_passes_at=[[0] * len(side) for side in made.all_passes],
            before=np.zeros((int(made.back.max()), 2)),
        )

    def apply(self, state: RoomState, decision: None, lanes: Audio) -> Audio:  # noqa: ARG002
        """Let every lane sound in its room."""
        if not self.mix:
            return lanes
        heard = state.waiting.push(self.cut.apply(state.cut, None, lanes))
        wet = np.empty(lanes.shape)
        for k, lane in enumerate(state.lanes):
            wet[:, k] = self._sounding(lane, np.ascontiguousarray(heard[:, k]))
        level = self.mix / math.sqrt(2 * (1 + self.width * self.width))
        same, other = level * (1 + self.width), level * (1 - self.width)
        return lanes * (1 - self.mix) + in_all_lanes.mix_sides(wet, ((same, other), (other, same)))

    def _sounding(self, lane: LaneState, heard: Audio) -> Audio:
        """Early and late part of one lane `(frames, 2)`."""
        made = self.network
        spread = np.stack([self._diffused(lane, side, heard[:, side].copy()) for side in range(2)], axis=1)
        wet = feedback.run_network(
            spread * made.late_gain,
            made.ends,
            lane.at,
            lane.ring,
            made.rows,
            lane.memory,
            lane.turning,
            made.turns,
        )
        padded = np.concatenate([lane.before, heard])
        feedback.add_taps(wet, padded, made.back, made.gains)
        lane.before = padded[len(heard) :]
        return wet

    def _diffused(self, lane: LaneState, side: int, wave: Audio) -> Audio:
        places = lane.all_passes_at[side]
        for k, ring in enumerate(lane.all_passes[side]):
            places[k] = feedback.diffuse(wave, self.network.diffusion, ring, places[k])
        return wave
