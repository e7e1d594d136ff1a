"""What summing two sounds gains and loses, in each third octave, and where the first notch lies."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from busproc.measure.spectrum import midband_hz

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from busproc.measure.alignment_delay import Delay
    from busproc.measure.alignment_spectra import Spectra

    Audio = NDArray[np.float64]
    Bins = NDArray[np.complex128]

_BANDS = range(-17, 14)  # 20 Hz to 20 kHz
HEARD = 1e-3
"""Power of a band against the loudest, -30 dB, under which its sum does not count. Ours."""
_SOUNDS = 1e-9
_LEAST_LINES = 8


class SumBand(NamedTuple):
    """Level of the sum in a third octave against both sounds' powers added up, which is 0 dB.

    `most_db` is where all that both have in common comes in phase (of a sound of a second or so, whose noise
    cannot be told from it, all that there is); `heard` is false 30 dB and more under the
    loudest band. `phase_deg` is left between the two after the correction.
    """

    midband_hz: float
    now_db: float
    after_db: float
    most_db: float
    phase_deg: float
    heard: bool

    @property
    def lost_now_db(self) -> float:
        """What is missing to the most."""
        return self.most_db - self.now_db

    @property
    def lost_after_db(self) -> float:
        """The same after the correction."""
        return self.most_db - self.after_db


class Notch(NamedTuple):
    """First notch of the comb that the sum of a sound and its delayed self makes.

    In theory 1 / (2 tau), or 1 / tau for opposite polarity, whose notch at 0 Hz aside. Measured on the sum of
    both as they are; None where nothing tells.
    """

    theory_hz: float
    measured_hz: float | None


def sum_bands(now: Spectra, delay: Delay) -> tuple[SumBand, ...]:
    """Work out the sum in each third octave that sounds; `now` are the spectra of both as they are."""
    moved = delay.spectra
    powers = [in_bands(each.one + each.other, now).real[:, 0] for each in (now, moved)]
    sounds = np.minimum(*powers) > _SOUNDS * powers[0].max()
    mids = np.array([midband_hz(band) for band in bands_at(now)])
    crosses = [in_bands(lines, now)[:, 0] for lines in (now.cross, corrected(delay), common(moved))]
    rows = zip(mids, *powers, *crosses, powers[0] > HEARD * powers[0].max(), sounds, strict=True)
    return tuple(
        SumBand(
            float(mid_hz),
            _gain_db(cross.real, power),
            _gain_db(after.real, power_after),
            _gain_db(most.real, power_after),
            math.degrees(math.atan2(after.imag, after.real)),
            bool(heard),
        )
        for mid_hz, power, power_after, cross, after, most, heard, kept in rows
        if kept
    )


def corrected(delay: Delay) -> Bins:
    """Cross spectrum once delay and polarity are undone."""
    turn = 2 * math.pi * np.arange(len(delay.spectra.cross)) / delay.spectra.windows.size
    made: Bins = (
        delay.polarity * delay.spectra.cross * np.exp(1j * turn * (delay.frames - delay.whole_frames))
    )
    return made


def common(spectra: Spectra) -> Audio:
    """Power in each bin that could come in phase."""
    made: Audio = spectra.coherence() * np.sqrt(spectra.one * spectra.other)
    return made


def gained_db(bands: tuple[SumBand, ...]) -> tuple[float, float]:
    """Return what the correction adds to the sum: mean of all bands that are heard, and the most of any."""
    gains = [band.after_db - band.now_db for band in bands if band.heard]
    return (math.fsum(gains) / len(gains), max(gains)) if gains else (0.0, 0.0)


def bands_at(spectra: Spectra) -> list[int]:
    """Third octaves that lie under half the rate as a whole."""
    return [band for band in _BANDS if midband_hz(band + 0.5) <= spectra.rate_hz / 2]


def in_bands(lines: Audio | Bins, spectra: Spectra, parts: int = 1) -> Bins:
    """Sum of the bins of each band cut into so many parts, `(bands, parts)`; a bin reaches half its width."""
    bin_hz = spectra.rate_hz / spectra.windows.size
    sums = np.concatenate([[0.0], np.cumsum(lines)])
    cuts = np.arange(parts + 1) / parts - 0.5
    edges = 1000 * 10 ** ((np.array(bands_at(spectra))[:, None] + cuts) / 10)
    made: Bins = np.diff(np.interp(edges / bin_hz + 0.5, np.arange(len(sums)), sums + 0j))
    return made


def _gain_db(cross: float, power: float) -> float:
    return 10 * math.log10(max(1 + 2 * cross / power, 1e-6))


def first_notch(now: Spectra, delay: Delay) -> Notch | None:
    """Return the first notch, None where it would lie over 0.45 of the rate."""
    if abs(delay.frames) < 0.5:
        return None
    theory = now.rate_hz / (abs(delay.frames) * (2 if delay.polarity > 0 else 1))
    if theory > 0.45 * now.rate_hz:
        return None
    return Notch(theory, _measured_notch_hz(now, theory, now.rate_hz / (8 * abs(delay.frames))))


def _measured_notch_hz(now: Spectra, theory_hz: float, reach_hz: float) -> float | None:
    """Lowest point of the parabola through the sum's gain around a frequency."""
    apart = now.one + now.other
    inside = (np.abs(now.freqs_hz - theory_hz) <= reach_hz) & (apart > 1e-9 * apart.max())
    if inside.sum() < _LEAST_LINES:
        return None
    x = (now.freqs_hz[inside] - theory_hz) / reach_hz
    bend, slope, _ = np.polyfit(x, 2 * now.cross.real[inside] / apart[inside], 2)
    lowest = -slope / (2 * bend) if bend > 0 else math.inf
    return float(theory_hz + reach_hz * lowest) if abs(lowest) < 1 else None
