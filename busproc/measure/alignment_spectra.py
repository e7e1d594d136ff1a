"""Two sounds set against each other in frequency, in the windows where both are loud."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol

import numpy as np
from scipy import fft

from busproc.errors import InputError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Audio = NDArray[np.float64]
    Bins = NDArray[np.complex128]

MOST_S = 60.0
"""So much of the sounds is looked at."""
_LEAST_WINDOW_S = 1.25
_LOUD = 1e-6
"""Power against the loudest window: -60 dB."""
_ALIKE = 1 / 36
"""How much of a Hann window's estimate its neighbour repeats at half its length: correlation squared."""
BINS_ALIKE = 1.5
"""Bins of a Hann window that count as one: its noise bandwidth (Harris 1978, from memory)."""
_READ_HALVES = 16


class Sound(Protocol):
    """A long sound that is read in pieces, such as `busproc.scratch.Scratch`."""

    frames: int

    def read(self, first: int, frames: int) -> Audio:
        """Return frames from anywhere, `(frames,)` or `(frames, 2)`; what lies outside is zero."""


class Held:
    """A sound in memory, or in a file mapped into it: `(frames,)` or `(frames, 2)`.

    Raises
    ------
    InputError
        For any other shape.
    """

    def __init__(self, audio: Audio) -> None:
        if audio.ndim != 1 and audio.shape[1:] != (2,):
            raise InputError(
                f"a sound to be aligned has the shape (frames,) or (frames, 2), not {audio.shape}"
            )
        self._audio = audio
        self.frames = len(audio)

    def read(self, first: int, frames: int) -> Audio:
        """Return frames from anywhere; what lies outside is zero."""
        made = np.zeros((frames, *self._audio.shape[1:]))
        start, stop = max(first, 0), min(first + frames, self.frames)
        if start < stop:
            made[start - first : stop - first] = self._audio[start:stop]
        return made


class Windows(NamedTuple):
    """Windows of one size, half overlapping: where each starts, and how many count as independent."""

    starts: tuple[int, ...]
    size: int
    independent: float


@dataclass(frozen=True)
class Spectra:
    """Power of both sounds and the product of their spectra in each bin, summed over windows.

    `cross` is the conjugate of the one times the other. A sound that is late by d frames turns it by -w d.
    """

    one: Audio
    other: Audio
    cross: Bins
    windows: Windows
    rate_hz: int

    @property
    def freqs_hz(self) -> Audio:
        """Frequency of each bin."""
        return np.arange(len(self.one), dtype=np.float64) * (self.rate_hz / self.windows.size)

    def coherence(self, bins: int = 1) -> Audio:
        """Magnitude of the coherence in each bin, over so many around it, less what chance alone would give.

        1 everywhere for a single window and a single bin. Source: Bendat and Piersol, 'Random Data', bias of
        the squared coherence (from memory).
        """
        count = self.windows.independent * (1 if bins == 1 else bins / BINS_ALIKE)
        if count < 2:
            return np.ones(len(self.one))
        one, other, cross = (_mean(lines, bins) for lines in (self.one, self.other, self.cross))
        squared = (cross.real**2 + cross.imag**2) / np.maximum((one * other).real, 1e-300)
        magnitude: Audio = np.sqrt(np.clip((squared * count - 1) / (count - 1), 0, 1))
        return magnitude


def _mean(lines: Any, bins: int) -> Any:
    return lines if bins == 1 else np.convolve(lines, np.full(bins, 1 / bins), "same")


def loud_windows(one: Sound, other: Sound, rate_hz: int) -> Windows:
    """Choose up to 60 s of windows, those of the greatest power in the one times that in the other.

    None are chosen where the one is silent while the other sounds. Windows under -60 dB of the best do not
    count.
    """
    half = 1
    while 2 * half < _LEAST_WINDOW_S * rate_hz:
        half *= 2
    both = np.sqrt(np.prod([_window_powers(sound, half) for sound in _as_long(one, other)], axis=0))
    order = np.argsort(-both, kind="stable")[: math.ceil(MOST_S * rate_hz / half)]
    chosen = np.sort(order[both[order] > _LOUD * max(both.max(), 1e-30)])
    weight = both[chosen]
    spread = weight.sum() ** 2 / (weight**2).sum() if len(chosen) else 0.0
    starts = tuple(half * (int(k) - 1) for k in chosen)
    return Windows(starts, 2 * half, float(spread / (1 + 2 * _ALIKE)))


def spectra_of(one: Sound, other: Sound, rate_hz: int, windows: Windows, late_frames: int = 0) -> Spectra:
    """Sum spectra over the windows; those of the other are taken so many frames later."""
    turn = 2 * math.pi * (np.arange(windows.size) + 0.5) / windows.size
    hann = 0.5 - 0.5 * np.cos(turn)
    bins = windows.size // 2 + 1
    powers, cross = np.zeros((2, bins)), np.zeros(bins, dtype=np.complex128)
    for start in windows.starts:
        lines = [
            fft.rfft(_mid(sound.read(at, windows.size)) * hann)
            for sound, at in ((one, start), (other, start + late_frames))
        ]
        powers += [line.real**2 + line.imag**2 for line in lines]
        cross += lines[0].conj() * lines[1]
    return Spectra(powers[0], powers[1], cross, windows, rate_hz)


def _as_long(one: Sound, other: Sound) -> tuple[tuple[Sound, int], tuple[Sound, int]]:
    frames = max(one.frames, other.frames)
    return (one, frames), (other, frames)


def _window_powers(of: tuple[Sound, int], half: int) -> Audio:
    """Energy of each window; the first starts half its length before the sound."""
    sound, frames = of
    halves = math.ceil(frames / half)
    energies = np.zeros(halves + 2)
    for first in range(0, halves, _READ_HALVES):
        count = min(_READ_HALVES, halves - first)
        piece = _mid(sound.read(first * half, count * half)).reshape(count, half)
        energies[first + 1 : first + 1 + count] = np.einsum("ij,ij->i", piece, piece)
    return energies[:-1] + energies[1:]


def _mid(audio: Audio) -> Audio:
    return audio if audio.ndim == 1 else 0.5 * (audio[:, 0] + audio[:, 1])
