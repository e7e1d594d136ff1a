"""Impulse responses with the gain of a filter and the same delay for all frequencies.

The gain is taken at equally spaced frequencies, given no phase, and transformed: a response that is even
in time. It is cut to the shortest power of two that keeps the gain within 0.035 dB (or 70 dB under full
scale, where a filter goes down to nothing) from 20 Hz up; a length of 2.7 s is the longest. So low and
narrow bands make it long, and half of it is delay.
"""

from __future__ import annotations

import functools
import math

import numpy as np

from busproc.kernels import fourier
from busproc.stages import filters
from busproc.stages.convolution import Convolve
from busproc.stages.filters import Section
from busproc.stages.treatments import Audio

SHORTEST_FRAMES = 512
LONGEST_S = 2.7
BLOCK_FRAMES = 4096
"""Convolution runs in blocks of this many frames, or of the whole response where that is shorter."""
FROM_HZ = 20.0
AGREES = 0.004
"""Relative to the wanted gain."""
FLOOR = 0.0003
"""Absolute."""


def convolver(both: list[Section], mid: list[Section], side: list[Section], rate_hz: float) -> Convolve:
    """Treatment with the gains of sections on left and right, on mid and on side."""
    centre = taps_of((*both, *mid), rate_hz)
    if not mid and not side:
        return Convolve(centre, np.zeros(0), min(len(centre), BLOCK_FRAMES), len(centre) // 2)
    edge = taps_of((*both, *side), rate_hz)
    length = max(len(centre), len(edge))
    centre, edge = (np.pad(taps, (length - len(taps)) // 2) for taps in (centre, edge))
    return Convolve((centre + edge) / 2, (centre - edge) / 2, min(length, BLOCK_FRAMES), length // 2)


@functools.lru_cache(maxsize=16)
def taps_of(rows: tuple[Section, ...], rate_hz: float) -> Audio:
    """Impulse response of even length, even around its middle `taps[len(taps) // 2]`."""
    coefficients = filters.sections(list(rows))
    longest = _power_of_two(LONGEST_S * rate_hz)
    length = min(longest, _power_of_two(max(SHORTEST_FRAMES, 2 * _decay_frames(rows))))
    while True:
        turns = fourier.turns_of(4 * length)
        wanted = fourier.gains_of(coefficients, turns)
        response = fourier.even_transform(wanted, turns) / (4 * length)
        response[length // 2 :] = 0
        off = np.abs(fourier.even_transform(response, turns) - wanted)
        heard = slice(math.ceil(FROM_HZ / rate_hz * 4 * length), None)
        if length == longest or (off <= np.maximum(AGREES * wanted, FLOOR))[heard].all():
            break
        length *= 2
    half = response[: length // 2]
    taps = np.concatenate([[0.0], half[:0:-1], half])
    taps.setflags(write=False)
    return taps


def _power_of_two(least: float) -> int:
    return 1 << (math.ceil(least) - 1).bit_length()


def _decay_frames(rows: tuple[Section, ...]) -> float:
    """Time constant of the slowest pole, or zero off the unit circle."""
    slowest = 0.0
    for b0, b1, b2, a1, a2 in rows:
        for radius in (_radius(a1, a2), _radius(b1 / b0, b2 / b0)):
            if radius < 1 - 1e-9:
                slowest = max(slowest, radius)
    return -1 / math.log(slowest) if slowest else 0.0


def _radius(c1: float, c2: float) -> float:
    """Larger magnitude of the roots of z^2 + c1 z + c2."""
    inside = c1 * c1 - 4 * c2
    return math.sqrt(c2) if inside < 0 else (abs(c1) + math.sqrt(inside)) / 2
