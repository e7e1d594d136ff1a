"""The highest peak of a whole sound, as high as any meter may read it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from busproc.kernels import peaks

Audio = NDArray[np.float64]
Read = Callable[[int, int], Audio]
"""Gives so many frames `(frames, 2)` from a first one on; zeros outside the sound."""

PAD_FRAMES = 64
"""What starts or ends at once rises outside as well."""

BODY_FRAMES = 49152
EDGE_FRAMES = 8192
FACTOR = 8
NEAR_NYQUIST = 0.45
"""Share of the sampling rate above which interpolators begin to differ."""
CAN_MATTER = 2e-3
"""Amplitudes above it that add up to less than this share of the peak cannot: 0.02 dB."""


def highest_peak(read: Read, frames: int) -> float:
    """Highest magnitude between and on the samples, by a bank of interpolators and by Fourier.

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
    highest = 0.0
    for first in range(-PAD_FRAMES, frames + PAD_FRAMES, BODY_FRAMES):
        body = min(BODY_FRAMES, frames + PAD_FRAMES - first)
        sound = read(first - EDGE_FRAMES, body + 2 * EDGE_FRAMES)
        inner = sound[EDGE_FRAMES - peaks.MARGIN : len(sound) - EDGE_FRAMES + peaks.MARGIN]
        highest = max(highest, float(np.abs(inner).max()))
        highest = max(highest, float(peaks.peaks_over(inner, highest).max()))
        highest = max(highest, *(_fourier_peak(sound[:, side], highest) for side in range(2)))
    return highest


def _fourier_peak(sound: Audio, highest: float) -> float:
    spectrum = np.fft.rfft(sound)
    edge = round(2 * NEAR_NYQUIST * len(spectrum))
    if 2 / len(sound) * np.abs(spectrum[edge:]).sum() < CAN_MATTER * highest:
        return 0.0
    finer = np.zeros(len(sound) // 2 * FACTOR + 1, dtype=np.complex128)
    finer[: len(spectrum)] = spectrum
    if len(sound) % 2 == 0:
        finer[len(spectrum) - 1] /= 2
    fine = np.abs(np.fft.irfft(finer, len(sound) // 2 * 2 * FACTOR)) * FACTOR
    fine = fine[EDGE_FRAMES * FACTOR : -EDGE_FRAMES * FACTOR]
    before, middle, after = fine[:-2], fine[1:-1], fine[2:]
    top = np.flatnonzero((middle > before) & (middle >= after) & (middle > 0.95 * highest))
    if not len(top):
        return float(fine.max())
    bend = before[top] - 2 * middle[top] + after[top]
    return float((middle[top] - (before[top] - after[top]) ** 2 / (8 * bend)).max())
