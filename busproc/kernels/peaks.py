"""How high a sound rises between its samples, asked of several interpolators.

Meters disagree near half the sampling rate, where each rolls off in its own way, so no single interpolator
tells what every meter will read. This bank does: a long one with the full band, a long one that is
band-limited, and a short one of the kind that BS.1770-5 Annex 2 describes (12 taps a phase). All are asked
only where a cheaper look says that the sound is near the level of interest.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from busproc.kernels.jit import kernel
from busproc.kernels.window import kaiser, kaiser_beta

Audio = NDArray[np.float64]

MARGIN = 512
"""Frames that must stand before and after the frames of interest: reach of the longest interpolator."""

PHASES = 8
POINTS = PHASES + 2
"""Eight phases, and a neighbour on either side for the parabola through each."""


NEAR = 0.4
"""Share of a level that one of the eight samples around a peak of that level reaches."""


@functools.cache
def interpolator(reach: int, stopband_db: float, cutoff: float) -> Audio:
    """Taps `(2 * reach, POINTS)` that give the sound at -1/8, 0, 1/8 .. 8/8 of the way to the next frame.

    Sinc under a Kaiser window (length rule and beta: Kaiser 1974, from memory); `cutoff` is in units of
    the sampling rate, 0.5 is half of it. Row k belongs to the frame at k - reach + 1.
    """
    beta = kaiser_beta(stopband_db)

    def tap(x: float) -> float:
        sinc = math.sin(2 * math.pi * cutoff * x) / (math.pi * x) if x else 2 * cutoff
        return sinc * kaiser(x / reach, beta)

    return _taps(reach, tap)


@functools.cache
def short_interpolator() -> Audio:
    """Taps `(14, POINTS)` of a 4x sinc under a Hann window of 49 points; every second phase stays zero."""

    def tap(x: float) -> float:
        if (x * 4) % 1 or abs(x) >= 6:
            return 0.0
        sinc = math.sin(math.pi * x) / (math.pi * x) if x else 1.0
        return sinc * (0.5 + 0.5 * math.cos(math.pi * x / 6))

    return _taps(7, tap)


def _taps(reach: int, tap: Callable[[float], float]) -> Audio:
    """An even function at every place of every row; all lie on one grid of eighths."""
    half = [tap(step / PHASES) for step in range(reach * PHASES)] + [0.0] * (PHASES + POINTS)
    made = np.zeros((2 * reach, POINTS))
    for point in range(POINTS):
        for k in range(2 * reach):
            made[k, point] = half[abs(point - 1 - PHASES * (k - reach + 1))]
    made.setflags(write=False)
    return made


def peaks_at_a_glance(sound: Audio, floor: float) -> Audio:
    """Peak of each frame and the way to the next, louder side, by the cheapest interpolator alone.

    Where it may pass `floor`; 0 elsewhere. `sound (MARGIN + frames + MARGIN, 2)` to `(frames,)`.
    """
    frames = len(sound) - 2 * MARGIN
    found = np.zeros(frames)
    near = near_samples(sound, MARGIN, frames)
    look(sound, MARGIN, interpolator(32, 70.0, 0.5), NEAR * floor, near, found)
    return found


def peaks_over(sound: Audio, floor: float) -> Audio:
    """Peak of each frame and the way to the next, louder side, where it may pass `floor`; 0 elsewhere.

    Parameters
    ----------
    sound
        `(MARGIN + frames + MARGIN, 2)`.
    floor
        Level of interest; what is returned below it is a lower bound.

    Returns
    -------
    ndarray
        `(frames,)`.
    """
    frames = len(sound) - 2 * MARGIN
    near = near_samples(sound, MARGIN, frames)
    peaks = np.zeros(frames)
    look(sound, MARGIN, interpolator(32, 70.0, 0.5), NEAR * floor, near, peaks)
    near = np.maximum(near, peaks)
    for taps in (interpolator(512, 90.0, 0.5065), interpolator(132, 170.0, 0.478), short_interpolator()):
        look(sound, MARGIN, taps, 0.75 * floor, near, peaks)
    return peaks


@kernel
def near_samples(sound: Audio, margin: int, frames: int) -> Audio:
    """Loudest sample within three frames of each and the next, louder side: `(frames,)`."""
    near = np.zeros(frames)
    for n in range(frames):
        for k in range(margin + n - 3, margin + n + 5):
            near[n] = max(near[n], abs(sound[k, 0]), abs(sound[k, 1]))
    return near


@kernel
def look(sound: Audio, margin: int, taps: Audio, least: float, near: Audio, peaks: Audio) -> None:
    """Raise `peaks (frames,)` to what an interpolator sees, at frames whose `near` reaches `least`.

    Where three phases in a row have the middle highest, a parabola refines it.
    """
    rows = taps.shape[0]
    first = margin - rows // 2 + 1
    seen = np.empty(POINTS)
    for n in range(near.shape[0]):
        if near[n] < least:
            continue
        for side in range(2):
            p0 = p1 = p2 = p3 = p4 = p5 = p6 = p7 = p8 = p9 = 0.0
            for k in range(rows):
                value = sound[first + n + k, side]
                p0 += value * taps[k, 0]
                p1 += value * taps[k, 1]
                p2 += value * taps[k, 2]
                p3 += value * taps[k, 3]
                p4 += value * taps[k, 4]
                p5 += value * taps[k, 5]
                p6 += value * taps[k, 6]
                p7 += value * taps[k, 7]
                p8 += value * taps[k, 8]
                p9 += value * taps[k, 9]
            seen[0], seen[1], seen[2], seen[3] = abs(p0), abs(p1), abs(p2), abs(p3)
            seen[4], seen[5], seen[6], seen[7], seen[8] = abs(p4), abs(p5), abs(p6), abs(p7), abs(p8)
            seen[9] = abs(p9)
            peaks[n] = max(peaks[n], seen[1:].max())
            if p2 == 0.0:
                continue
            for p in range(1, PHASES + 1):
                if seen[p] > seen[p - 1] and seen[p] >= seen[p + 1]:
                    bend = seen[p - 1] - 2.0 * seen[p] + seen[p + 1]
                    top = seen[p] - (seen[p - 1] - seen[p + 1]) ** 2 / (8.0 * bend)
                    peaks[n] = max(peaks[n], top)
