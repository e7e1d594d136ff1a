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
from busproc.kernels.vector import absolute, load, splat, store
from busproc.kernels.window import kaiser, kaiser_beta

Audio = NDArray[np.float64]

MARGIN = 512
"""Frames that must stand before and after the frames of interest: reach of the longest interpolator."""

ALL_BUT_SIGN = np.int64(0x7FFF_FFFF_FFFF_FFFF)

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
    """Loudest sample within three frames of each and the next, louder side: `(frames,)`.

    As whole numbers the bits of magnitudes have the order of the magnitudes, and comparing whole numbers
    goes many at a time.
    """
    bits = sound.reshape(-1).view(np.int64)[2 * (margin - 3) :]
    most = np.empty(frames + 7, dtype=np.int64)
    for n in range(len(most)):
        most[n] = max(bits[2 * n] & ALL_BUT_SIGN, bits[2 * n + 1] & ALL_BUT_SIGN)
    for reach in (1, 2, 4):
        for n in range(len(most) - reach):
            most[n] = max(most[n], most[n + reach])
    return most[:frames].view(np.float64)


@kernel
def look(sound: Audio, margin: int, taps: Audio, least: float, near: Audio, peaks: Audio) -> None:
    """Raise `peaks (frames,)` to what an interpolator sees, at frames whose `near` reaches `least`.

    Where three phases in a row have the middle highest, a parabola refines it.
    """
    rows = taps.shape[0]
    weights, wave = taps.reshape(-1), sound.reshape(-1)[2 * (margin - rows // 2 + 1) :]
    seen = np.empty((2, POINTS))
    left, right = seen[0], seen[1]
    for n in range(near.shape[0]):
        if near[n] < least:
            continue
        around = wave[2 * n :]
        a = b = c = d = e = f = splat(0.0)
        for k in range(rows):
            one, other = splat(around[2 * k]), splat(around[2 * k + 1])
            row = POINTS * k
            early, middle, late = load(weights, row), load(weights, row + 4), load(weights, row + 6)
            a, b, c = a + one * early, b + one * middle, c + one * late
            d, e, f = d + other * early, e + other * middle, f + other * late
        store(left, 0, absolute(a))
        store(left, 4, absolute(b))
        store(left, 6, absolute(c))
        store(right, 0, absolute(d))
        store(right, 4, absolute(e))
        store(right, 6, absolute(f))
        peaks[n] = max(peaks[n], tallest(left), tallest(right))


@kernel
def tallest(seen: Audio) -> float:
    """Highest of magnitudes, the first left out, and of the parabola through each above its neighbours."""
    highest = float(seen[-1])
    for p in range(1, len(seen) - 1):
        before, middle, after = seen[p - 1], seen[p], seen[p + 1]
        highest = max(highest, middle)
        if middle > before and middle >= after:
            bend = before - 2.0 * middle + after
            highest = max(highest, middle - (before - after) ** 2 / (8.0 * bend))
    return highest
