"""The largest magnitude of a wave between its samples, looked for closely only where it can be.

Interleaved stereo throughout. A rough look, in single precision, gives the values half-way between the
frames, and where they are high those a quarter and three quarters on. Bounds that come with the
interpolator (`reach`) then say where the wave cannot rise above the highest point so far; elsewhere the
exact points are worked out. So what is left out costs nothing, and the bits are those of a full search.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from busproc.kernels.jit import kernel
from busproc.kernels.vector import load, splat, store

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Exact = NDArray[np.float64]
    Rough = NDArray[np.float32]

POINTS_AT_ONCE = 8

_TILE_FRAMES = 512
_GROUP_VALUES = 64
_ALL_BUT_SIGN = np.int32(0x7FFF_FFFF)


@kernel
def interpolated_peak(
    audio: Exact,
    history: Exact,
    taps: Exact,
    half_taps: Rough,
    quarter_taps: Rough,
    reach: Exact,
    highest: float,
) -> float:
    """Return the larger of `highest` and the peak of the oversampled wave of `audio` (frames * 2).

    Parameters
    ----------
    history
        The frames before ((rows - 1) * 2); updated.
    taps
        (groups, rows, 8): weights of the frames around, for points from a frame to the next.
    half_taps, quarter_taps
        Of the rough look: see `fill_half_way` and `fill_quarters`.
    reach
        (5,): where no sample is larger than x, no point is larger than reach[0] x; where moreover no frame
        and no half-way value around it is larger than u, none is larger than reach[1] u + reach[2] x; with
        the quarters, than reach[3] u + reach[4] x.
    """
    context = len(history)
    wave = np.empty(context + 2 * _TILE_FRAMES)
    rough = np.zeros(context + 2 * _TILE_FRAMES, dtype=np.float32)
    halves = np.zeros_like(rough)
    late = context // 2 // 2
    frames = rough[2 * late :]
    around = rough[2 * (late - len(half_taps)) :]
    bounds = np.empty(2)
    move(history, wave)
    for start in range(0, len(audio), 2 * _TILE_FRAMES):
        size = min(2 * _TILE_FRAMES, len(audio) - start)
        move(audio[start : start + size], wave[context:])
        for i in range(context + size):
            rough[i] = wave[i]
        bits, middle = rough.view(np.int32), (context + size) // 2
        most = largest(bits[:middle], bits[middle:])
        if reach[0] * most > highest:
            fill_half_way(around, half_taps, halves, size + 4)
            for first in range(0, size, _GROUP_VALUES):
                last = min(first + _GROUP_VALUES, size)
                one, other = frames[first : last + 2], halves[first : last + 2]
                coarse = largest(one.view(np.int32), other.view(np.int32))
                if reach[1] * coarse + reach[2] * most > highest:
                    bounds[0], bounds[1] = most, highest
                    search(
                        frames[first : last + 2],
                        halves[first:],
                        wave[first:],
                        quarter_taps,
                        taps,
                        reach,
                        bounds,
                    )
                    highest = bounds[1]
        move(wave[size : size + context], wave)
    move(wave[:context], history)
    return highest


@kernel
def search(
    frames: Rough, halves: Rough, wave: Exact, quarter_taps: Rough, taps: Exact, reach: Exact, bounds: Exact
) -> None:
    """Raise `bounds[1]`, the highest point so far, to that of a stretch of both sides.

    `bounds[0]` is the largest sample. The stretch begins at `frames[0]` and `halves[2]`, and `wave[0]` is the
    first value that `taps` weighs for it; it ends one frame before `frames` does.
    """
    size = len(frames) - 2
    seen = np.empty(POINTS_AT_ONCE)
    quarters = np.empty((2, size), dtype=np.float32)
    fill_quarters(frames, halves, quarter_taps, quarters)
    one, half, other, then = quarters[0], halves[2:], quarters[1], frames[2:]
    limit = np.float32((bounds[1] - reach[4] * bounds[0]) / reach[3])
    for i in range(size):
        rises = abs(frames[i]) > limit or abs(half[i]) > limit or abs(then[i]) > limit
        if rises or abs(one[i]) > limit or abs(other[i]) > limit:
            bounds[1] = max(bounds[1], look(wave[i:], taps, seen))
            limit = np.float32((bounds[1] - reach[4] * bounds[0]) / reach[3])


@kernel
def fill_half_way(wave: Rough, taps: Rough, halves: Rough, size: int) -> None:
    """Write `size` values half-way between the frames of `wave`.

    `taps[k]` (12) weighs the frames k + 1/2 away on either side. `halves[0]` lies after frame 11 of `wave`,
    the first that has enough neighbours.
    """
    t0, t1, t2, t3, t4, t5 = taps[0], taps[1], taps[2], taps[3], taps[4], taps[5]
    t6, t7, t8, t9, t10, t11 = taps[6], taps[7], taps[8], taps[9], taps[10], taps[11]
    for i in range(size):
        near = t0 * (wave[i + 22] + wave[i + 24]) + t1 * (wave[i + 20] + wave[i + 26])
        next_ = t2 * (wave[i + 18] + wave[i + 28]) + t3 * (wave[i + 16] + wave[i + 30])
        more = t4 * (wave[i + 14] + wave[i + 32]) + t5 * (wave[i + 12] + wave[i + 34])
        and_more = t6 * (wave[i + 10] + wave[i + 36]) + t7 * (wave[i + 8] + wave[i + 38])
        far = t8 * (wave[i + 6] + wave[i + 40]) + t9 * (wave[i + 4] + wave[i + 42])
        farthest = t10 * (wave[i + 2] + wave[i + 44]) + t11 * (wave[i] + wave[i + 46])
        halves[i] = ((near + next_) + (more + and_more)) + (far + farthest)


@kernel
def fill_quarters(frames: Rough, halves: Rough, taps: Rough, quarters: Rough) -> None:
    """Write what lies a quarter and three quarters on from each frame into the rows of `quarters` (2, size).

    `taps` (2) weighs the nearest of frames and half-way values and the next on either side. `frames` begins
    with the first frame, `halves` with the half-way value before it.
    """
    near, far = taps[0], taps[1]
    one, other = quarters[0], quarters[1]
    half, then, later = halves[2:], frames[2:], halves[4:]
    for i in range(len(one)):
        one[i] = near * (frames[i] + half[i]) + far * (halves[i] + then[i])
        other[i] = near * (half[i] + then[i]) + far * (frames[i] + later[i])


@kernel
def look(wave: Exact, taps: Exact, seen: Exact) -> float:
    """Return the largest magnitude at the points from a frame to the next, on one side.

    `wave` begins with the first value on that side that `taps` (groups, rows, 8) weighs; `seen` (8) is
    scribbled on.
    """
    most = 0.0
    for group in range(taps.shape[0]):
        weights = taps[group].reshape(-1)
        four, more = splat(0.0), splat(0.0)
        for k in range(taps.shape[1]):
            value = splat(wave[2 * k])
            four = four + value * load(weights, 8 * k)
            more = more + value * load(weights, 8 * k + 4)
        store(seen, 0, four)
        store(seen, 4, more)
        for point in range(8):
            most = max(most, abs(seen[point]))
    return most


@kernel
def largest(bits: NDArray[np.int32], others: NDArray[np.int32]) -> float:
    """Return the largest magnitude of single-precision numbers given by their bits, and of as many others.

    As whole numbers the bits of magnitudes have the order of the magnitudes, and comparing whole numbers
    goes many at a time.
    """
    most = np.int32(0)
    for i in range(len(bits)):
        # in two steps, which the compiler can take many at a time
        higher = max(bits[i] & _ALL_BUT_SIGN, others[i] & _ALL_BUT_SIGN)
        most = max(most, higher)
    return np.float64(np.int32(most).view(np.float32))


@kernel
def move(values: Exact, to: Exact) -> None:
    """Copy `values` to the front of `to`."""
    for i in range(len(values)):
        to[i] = values[i]
