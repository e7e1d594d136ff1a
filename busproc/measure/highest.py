"""The highest peak of a whole sound, as high as any meter may read it."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from busproc.kernels import peaks
from busproc.kernels.fourier import highest_between
from busproc.kernels.stereo import largest
from busproc.kernels.window import kaiser, kaiser_beta

Audio = NDArray[np.float64]
Read = Callable[[int, int], Audio]
"""Gives so many frames `(frames, 2)` from a first one on; zeros outside the sound."""

PAD_FRAMES = 64
"""What starts or ends at once rises outside as well."""

CELL_FRAMES = 4096
"""The bank looks at so much at a time."""
BODY_FRAMES = 12 * CELL_FRAMES
EDGE_FRAMES = 8192
"""A Fourier transform takes so much at a time, and so much more on either side."""
NEAR_NYQUIST = 0.45
"""Share of the sampling rate above which interpolators begin to differ."""
CAN_MATTER = 2e-3
"""Amplitudes above it that add up to less than this share of the peak cannot: 0.02 dB."""

TIMES_THE_SAMPLES = 7.6
"""How far a Fourier series can rise over its samples, here 65536 at most: the sum of its weights half-way."""
TIMES_THE_HALVES = 1.4143
"""The same for one that is also known half-way between: 1 / cos(pi/4) (Ehlich and Zeller 1964)."""
BEND = 0.32
"""Share of the most by which a peak stands over the nearest sample or half-way value, a quarter of a frame
away or less: pi^2/2 (1/4)^2 = 0.309, from the second derivative (Bernstein), and room for the parabola."""

FINE_REACH = 14
FINE_DB = 200.0


def highest_peak(read: Read, frames: int) -> float:
    """Highest magnitude between and on the samples, by a bank of interpolators and by Fourier.

    What cannot hold the highest is left out, so the loudest parts are looked at first.

    Parameters
    ----------
    read
        Access to the sound.
    frames
        Its length.

    Returns
    -------
    float
        Linear, 1.0 at full scale. Where the sound reaches near half the sampling rate, it is also
        interpolated by Fourier transform (8 times the rate, a parabola through each peak).
    """
    end = frames + PAD_FRAMES
    loudest = np.array(list(_loudest_samples(read, end)))
    highest = float(loudest.max())
    if highest == 0.0:
        return 0.0
    for cell in _loudest_first(loudest):
        if _around(loudest, cell) < peaks.NEAR * highest:
            continue
        sound = read(_start(cell) - peaks.MARGIN, CELL_FRAMES + 2 * peaks.MARGIN)
        highest = max(highest, float(peaks.peaks_over(sound, highest).max()))
    tiles = loudest.reshape(-1, BODY_FRAMES // CELL_FRAMES).max(axis=1)
    for tile in _loudest_first(tiles):
        if _around(tiles, tile) * TIMES_THE_SAMPLES < highest:
            continue
        first = _start(tile * BODY_FRAMES // CELL_FRAMES)
        body = min(BODY_FRAMES, end - first)
        sound = read(first - EDGE_FRAMES, body + body % 2 + 2 * EDGE_FRAMES)
        highest = max(highest, _fourier_peak(sound, highest))
    return highest


def _start(cell: int) -> int:
    return cell * CELL_FRAMES - PAD_FRAMES


def _loudest_samples(read: Read, end: int) -> Iterator[float]:
    """Largest magnitude of each cell, up to the end of the last tile."""
    for first in range(-PAD_FRAMES, end, BODY_FRAMES):
        for cell in read(first, BODY_FRAMES).reshape(-1, 2 * CELL_FRAMES).view(np.int64):
            yield largest(cell)


def _loudest_first(loudest: Audio) -> list[int]:
    return [int(place) for place in np.argsort(-loudest, kind="stable")]


def _around(loudest: Audio, place: int) -> float:
    """The largest of one and its two neighbours."""
    return float(loudest[max(0, place - 1) : place + 2].max())


def _fourier_peak(sound: Audio, highest: float) -> float:
    """Highest peak of a tile `(EDGE_FRAMES + body + EDGE_FRAMES, 2)` if over `highest`, or else less."""
    size = len(sound)
    waves = np.ascontiguousarray(sound).view(np.complex128)[:, 0]  # left real, right imaginary
    spectrum = np.fft.fft(waves)
    if _near_nyquist(spectrum) < CAN_MATTER * highest:
        return 0.0
    halves = np.empty((size, 2), dtype=np.complex128)
    halves[:, 0] = waves
    np.fft.ifft(spectrum * _half_a_frame(size), out=halves[:, 1])
    fine = halves.reshape(-1).view(np.float64)
    most = TIMES_THE_HALVES * largest(fine.view(np.int64))
    if most < highest:
        return 0.0
    return highest_between(
        fine, _quarters(), 2 * EDGE_FRAMES, 2 * (size - EDGE_FRAMES), highest - BEND * most
    )


def _near_nyquist(spectrum: NDArray[np.complex128]) -> float:
    """Sum of the amplitudes near half the sampling rate, on the side where it is larger."""
    size = len(spectrum)
    edge = round(2 * NEAR_NYQUIST * (size // 2 + 1))
    above = spectrum[edge : size // 2 + 1]
    mirrored = spectrum[size // 2 : size - edge + 1][::-1].conj()
    return float(max(np.abs(above + mirrored).sum(), np.abs(above - mirrored).sum())) / size


@functools.cache
def _half_a_frame(size: int) -> NDArray[np.complex128]:
    """Factors of a spectrum that move its sound half a frame ahead: those of one frame at twice the rate."""
    one_ahead = np.zeros(2 * size)
    one_ahead[-1] = 1.0
    turns = np.fft.fft(one_ahead)
    nothing_at_nyquist = np.zeros(1)
    return np.concatenate([turns[: size // 2], nothing_at_nyquist, turns[2 * size - size // 2 + 1 :]])


@functools.cache
def _quarters() -> Audio:
    """Taps `(2 * FINE_REACH * 4,)` from twice the rate to points -1/4, 1/4, 1/2 and 3/4 of the way on."""
    beta = kaiser_beta(FINE_DB)
    taps = np.zeros((2 * FINE_REACH, 4))
    for k in range(2 * FINE_REACH):
        for column, point in enumerate((-0.25, 0.25, 0.5, 0.75)):
            x = point - (k - FINE_REACH + 1)
            if abs(x) < FINE_REACH:
                taps[k, column] = math.sin(math.pi * x) / (math.pi * x) * kaiser(x / FINE_REACH, beta)
    return taps.reshape(-1)
