"""How late one sound is against another, and how sure that is."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np
from scipy import fft

from busproc.measure.alignment_spectra import BINS_ALIKE, Sound, Spectra, spectra_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Audio = NDArray[np.float64]
    Bins = NDArray[np.complex128]

Polarity = Literal[1, -1]

_LOWEST_HZ, _HIGHEST_HZ = 100.0, 12000.0
_LOWEST_LIKELY_HZ = 30.0
_FEW_BINS, _MANY_BINS, _FEW_TO_HZ, _OCTAVES = 33, 257, 400.0, 3
"""The coherence that tells what a bin is worth is taken over few bins up to 400 Hz, many three octaves on."""
_NOISE = 0.01
"""Share of noise in a bin that is always taken for granted."""
_EVEN, _UNEVEN = 0.9, 0.8
"""Evenness over which noise is the worse trouble, and under which there is reverberation."""
_DRIEST = 1e-4
_FLOOR = 1e-10
"""Power against the highest bin, -100 dB, under which a bin does not count."""
_PEAK_S = 0.0005
"""So far to both sides a peak's own slopes may reach."""
_DIRECT_S = 0.002
_REVERBERATION_S = 0.3
_STEPS = 12
_NEAR_FRAMES = 8.0
"""So far a dull sound's highest point may lie from the first guess."""

_SURE = (-5.07, 0.776, 3.6)
"""Constants of `_confidence`, of the greatest likelihood on 900 constructed pairs at the edge of what can be
known: `hard_case` of the tests with seeds from 20000 on. Of the 305 with 0.9 or more, 98 % were right."""


class Delay(NamedTuple):
    """How late the other is, with its standard deviation, and on what that rests.

    `spectra` were taken with the other `whole_frames` earlier. `direct_to_reverberant_db` is None where there
    is next to no reverberation.
    """

    frames: float
    error_frames: float
    polarity: Polarity
    confidence: float
    whole_frames: int
    spectra: Spectra
    direct_to_reverberant_db: float | None


def find_delay(one: Sound, other: Sound, first: Spectra, longest_frames: int) -> Delay:
    """Find the delay at which the weighted correlation is highest in magnitude; its sign is the polarity.

    The correlation is that of the phases alone, each bin weighted by its coherence and cut to 100 Hz to
    12 kHz. Once the whole frames are known, the windows are taken again with the other moved by them, and
    the highest point between the frames is found by Newton's method on the sum over the bins themselves;
    where there is little reverberation, with the weights that noise alone asks for.

    Source: Knapp and Carter 1976, 'The generalized correlation method for estimation of time delay' (from
    memory).
    """
    size = first.windows.size
    correlation = fft.irfft(_phases(first), size)
    lags = np.arange(-longest_frames, longest_frames + 1)
    values = correlation[lags]
    highest = int(np.abs(values).argmax())
    whole = int(lags[highest])
    polarity: Polarity = 1 if values[highest] >= 0 else -1
    elsewhere = values[np.abs(lags - whole) > _PEAK_S * first.rate_hz]
    clearness = _over(abs(values[highest]), float(np.abs(elsewhere).max()))
    prominence = _over(abs(values[highest]), math.sqrt(float((elsewhere**2).mean())))
    moved = spectra_of(one, other, first.rate_hz, first.windows, whole)
    evenness = _evenness(moved)
    phases = _likeliest_phases(moved) if evenness > _EVEN else _phases(moved)
    part, error = _between(phases, polarity, size)
    return Delay(
        whole + part,
        error,
        polarity,
        _confidence(clearness, prominence),
        whole,
        moved,
        _direct_to_reverberant_db(moved) if evenness < _UNEVEN else None,
    )


def _over(value: float, other: float) -> float:
    return value / max(other, 1e-6 * value, 1e-300)


def _phases(spectra: Spectra) -> Bins:
    """Phase of each bin, weighted by its coherence: of all weights tried, the safest in reverberation."""
    return _weighted(spectra, _LOWEST_HZ, spectra.coherence())


def _likeliest_phases(spectra: Spectra) -> Bins:
    """Phase of each bin, weighted by what it tells: the best there is against noise, not in reverberation."""
    octaves = np.log2(np.maximum(spectra.freqs_hz, 1.0) / _FEW_TO_HZ)
    wide = np.clip(octaves / _OCTAVES, 0, 1)
    few, many = (spectra.coherence(bins) ** 2 for bins in (_FEW_BINS, _MANY_BINS))
    squared = few + wide * (many - few)
    return _weighted(spectra, _LOWEST_LIKELY_HZ, squared / np.maximum(1 - squared, _NOISE))


def _weighted(spectra: Spectra, lowest_hz: float, weights: Audio) -> Bins:
    hz = spectra.freqs_hz
    counts = (hz >= lowest_hz) & (hz <= min(_HIGHEST_HZ, 0.45 * spectra.rate_hz))
    for power in (spectra.one, spectra.other):
        counts &= power > _FLOOR * power[counts].max(initial=0.0)
    size = np.maximum(np.abs(spectra.cross), 1e-300)
    weighted: Bins = counts * weights * spectra.cross / size
    return weighted


def _between(phases: Bins, polarity: Polarity, size: int) -> tuple[float, float]:
    """Where within a few frames to both sides the sum of the phases, turned back, is greatest.

    Also its standard deviation, by how far the phases scatter around it (that of an M-estimator, textbook).
    """
    turn = 2 * math.pi * np.arange(len(phases)) / size
    late = 0.0
    for _ in range(_STEPS):
        turned = polarity * phases * np.exp(1j * turn * late)
        slope, bend = -(turn * turned.imag).sum(), -(turn**2 * turned.real).sum()
        if bend >= 0:
            return late, math.inf
        late = min(max(late - float(slope / bend), -_NEAR_FRAMES), _NEAR_FRAMES)
    scatter = BINS_ALIKE * float((turn**2 * turned.imag**2).sum())
    return late, math.sqrt(scatter) / abs(float(bend))


def _confidence(clearness: float, prominence: float) -> float:
    """How many of a hundred pairs like this one have the delay within a frame, and the polarity.

    A logistic curve over how far the highest peak stands out over the second and over the others' root mean
    square.
    """
    base, second, others = _SURE
    score = base + second * math.log(max(clearness - 1, 1e-9)) + others * math.log(max(prominence, 1e-9))
    return 1 / (1 + math.exp(-score))


def _evenness(spectra: Spectra) -> float:
    """Share of the coherence, bins weighted by their power, that is left when it is taken over 33 bins.

    Reverberation turns each bin by a phase of its own, noise does not. Measured: 0.94 to 1 for noise alone
    down to 0 dB and 3 s of sound, up to 0.89 for direct sound 6 dB over the reverberation, 0.76 at 0 dB.
    """
    power = np.sqrt(spectra.one * spectra.other)
    each, over_some = ((power * spectra.coherence(bins) ** 2).sum() for bins in (1, _FEW_BINS))
    return float(over_some / each) if each > 0 else 0.0


def _direct_to_reverberant_db(spectra: Spectra) -> float:
    """Energy that comes within 2 ms of the delay against that up to 0.3 s away, of the phases' correlation.

    What noise adds evenly is taken off, as read from 0.3 to 0.6 s, with its spread: only what is surely more
    counts. Where the one is dry, it is the ratio of the other.
    """
    energy = fft.irfft(_phases(spectra), spectra.windows.size) ** 2
    near, far = (round(s * spectra.rate_hz) for s in (_DIRECT_S, _REVERBERATION_S))
    end = 2 * far - near
    quiet = [part.sum() for side in (energy[far:end], energy[-end:-far]) for part in np.array_split(side, 4)]
    late = float(
        energy[near:far].sum() + energy[-far:-near].sum() - np.sum(quiet) - len(quiet) * np.std(quiet)
    )
    direct = float(energy[:near].sum() + energy[-near:].sum() - 2 * near / (end - far) * np.mean(quiet) * 4)
    direct = max(direct, 1e-300)
    return 10 * math.log10(direct / max(late, _DRIEST * direct))
