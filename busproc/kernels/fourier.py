"""Discrete Fourier transforms and convolution in blocks, the same bits on every processor.

Complex arrays are two rows, real and imaginary parts. Stereo needs one transform, not two: left is the
real part, right the imaginary one.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from busproc.kernels.jit import kernel
from busproc.kernels.vector import absolute, load, splat, store

Audio = NDArray[np.float64]


@kernel
def circle(angle: float) -> tuple[float, float]:
    """Cosine and sine of an angle from 0 to pi/4 by their series, the same bits whatever the library."""
    cosine, sine = 1.0, 1.0
    square = angle * angle
    for k in range(18, 0, -2):
        cosine = 1.0 - square / (k * (k - 1)) * cosine
        sine = 1.0 - square / (k * (k + 1)) * sine
    return cosine, angle * sine


@kernel
def turns_of(size: int) -> Audio:
    """Real and imaginary parts of exp(-2 pi j k / size): `(2, size / 2)`; size a multiple of 8."""
    eighth = size // 8
    turns = np.empty((2, 4 * eighth))
    for k in range(eighth + 1):
        cosine, sine = circle(2.0 * math.pi * k / size)
        turns[0, k], turns[1, k] = cosine, -sine
        turns[0, 2 * eighth - k], turns[1, 2 * eighth - k] = sine, -cosine
        turns[0, 2 * eighth + k], turns[1, 2 * eighth + k] = -sine, -cosine
        if k:
            turns[0, 4 * eighth - k], turns[1, 4 * eighth - k] = -cosine, -sine
    return turns


@kernel
def transform(x: Audio, turns: Audio) -> Audio:
    """Fourier transform of `x (2, size)`, size a power of two; `turns` from `turns_of(size)`.

    Source: T. G. Stockham's self-sorting form of radix 2, 1966 (textbook). The inverse is the same with
    the rows swapped before and after, divided by size.
    """
    half = x.shape[1] // 2
    before = x.copy()
    after = np.empty_like(before)
    stride = 1
    while stride <= half:
        for at in range(0, half, stride):
            turn_re, turn_im = turns[0, at], turns[1, at]
            for n in range(at, at + stride):
                one_re, one_im = before[0, n], before[1, n]
                other_re, other_im = before[0, half + n], before[1, half + n]
                less_re, less_im = one_re - other_re, one_im - other_im
                after[0, at + n] = one_re + other_re
                after[1, at + n] = one_im + other_im
                after[0, at + n + stride] = less_re * turn_re - less_im * turn_im
                after[1, at + n + stride] = less_re * turn_im + less_im * turn_re
        before, after = after, before
        stride *= 2
    return before


@kernel
def spectra_of(taps: Audio, turns: Audio) -> Audio:
    """Spectra of `taps (taps,)` cut into blocks of half a transform: `(blocks, 2, size)`."""
    size = 2 * turns.shape[1]
    block = turns.shape[1]
    spectra = np.empty((taps.shape[0] // block, 2, size))
    for p in range(spectra.shape[0]):
        cut = np.zeros((2, size))
        cut[0, :block] = taps[p * block : (p + 1) * block]
        spectra[p] = transform(cut, turns)
    return spectra


@kernel
def convolve_block(sound: Audio, same: Audio, cross: Audio, past: Audio, newest: int, turns: Audio) -> Audio:
    """Filter one block of stereo by overlap-save in equal partitions.

    `sound (2 * block, 2)`: the block before and this one. `same (blocks, 2, size)`: spectra of the way
    from each side to itself; `cross`: to the other side, no blocks where there is none. `past`: spectra
    of earlier sound, a ring of which `newest` is written now. Returns `(block, 2)`.
    """
    size = sound.shape[0]
    block, blocks = size // 2, same.shape[0]
    past[newest] = transform(np.ascontiguousarray(sound.T), turns)
    swapped = np.zeros((2, size))  # imaginary part first: the next transform is the inverse one
    for p in range(blocks):
        heard = past[newest - p]
        for k in range(size):
            swapped[0, k] += heard[0, k] * same[p, 1, k] + heard[1, k] * same[p, 0, k]
            swapped[1, k] += heard[0, k] * same[p, 0, k] - heard[1, k] * same[p, 1, k]
        if cross.shape[0]:
            for k in range(size):  # sides exchanged: j times the conjugate, at the mirrored frequency
                left, right = heard[1, -k], heard[0, -k]
                swapped[0, k] += left * cross[p, 1, k] + right * cross[p, 0, k]
                swapped[1, k] += left * cross[p, 0, k] - right * cross[p, 1, k]
    filtered = transform(swapped, turns)
    out = np.empty((block, 2))
    for n in range(block):
        out[n, 0] = filtered[1, block + n] / size
        out[n, 1] = filtered[0, block + n] / size
    return out


@kernel
def gains_of(sections: Audio, turns: Audio) -> Audio:
    """Gain of `sections (sections, 5)` in series at the frequencies of a transform: `(size / 2 + 1,)`.

    Source of the form in x = sin^2(w/2), precise at low frequencies too: Audio EQ Cookbook.
    """
    half = turns.shape[1]
    gains = np.ones(half + 1)
    for k in range(half + 1):
        x = 0.5 - 0.5 * turns[0, k] if k < half else 1.0
        if 4 * k < half:  # 1 - cos = sin^2 / (1 + cos) loses nothing
            x = 0.5 * turns[1, k] * turns[1, k] / (1.0 + turns[0, k])
        for i in range(sections.shape[0]):
            b0, b1, b2, a1, a2 = sections[i]
            at_0, below_0 = b0 + b1 + b2, 1.0 + a1 + a2
            upper = at_0 * at_0 - 4.0 * x * (b0 * b1 + 4.0 * b0 * b2 + b1 * b2 - 4.0 * x * b0 * b2)
            lower = below_0 * below_0 - 4.0 * x * (a1 + 4.0 * a2 + a1 * a2 - 4.0 * x * a2)
            gains[k] *= math.sqrt(max(upper, 0.0) / lower)
    return gains


@kernel
def even_transform(half: Audio, turns: Audio) -> Audio:
    """Transform of a real and even series, of which `half (size / 2 + 1,)` is given; returns as much."""
    size = 2 * turns.shape[1]
    whole = np.zeros((2, size))
    for k in range(size):
        whole[0, k] = half[min(k, size - k)]
    return transform(whole, turns)[0, : size // 2 + 1].copy()


@kernel
def highest_between(fine: Audio, taps: Audio, first: int, last: int, least: float) -> float:
    """Highest peak of interleaved stereo `fine (frames * 2,)` from one frame to another, if over `least`.

    `taps (2 * reach * 4,)` give the points -1/4, 1/4, 1/2 and 3/4 of the way to the next frame. Only where a
    frame or the next reaches `least` are they worked out. Where three points in a row have the middle
    highest, a parabola refines it.
    """
    rows = len(taps) // 4
    four, seen = np.empty(4), np.empty(6)
    highest = 0.0
    for value in range(2 * first, 2 * last):
        seen[1], seen[5] = abs(fine[value]), abs(fine[value + 2])
        if max(seen[1], seen[5]) < least:
            continue
        wave = fine[value - (rows - 2) :]
        points = splat(0.0)
        for k in range(rows):
            points = points + splat(wave[2 * k]) * load(taps, 4 * k)
        store(four, 0, absolute(points))
        seen[0], seen[2], seen[3], seen[4] = four[0], four[1], four[2], four[3]
        for p in range(1, 5):
            before, middle, after = seen[p - 1], seen[p], seen[p + 1]
            highest = max(highest, middle)
            if middle > before and middle >= after:
                bend = before - 2.0 * middle + after
                highest = max(highest, middle - (before - after) * (before - after) / (8.0 * bend))
    return highest
