"""How far a sound lies from a reference once their levels match, each part by itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from busproc.measure.bands import BandCells
from busproc.measure.decibels import power_db
from busproc.measure.loudness import SHORT_TERM_TENTHS, loudness_range_lu
from busproc.measure.spectrum import ThirdOctaves
from busproc.measure.stereo import stereo_by_band

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Levels = dict[str, float | None]

HEARD_DB = 60.0
"""What lies further under the loudest third octave counts as just so far under it. Ours, not a standard's."""


class Character:
    """Spectrum, dynamics and width of a stereo stream, none of which depends on its level."""

    def __init__(self, rate_hz: int) -> None:
        self._spectrum = ThirdOctaves(rate_hz)
        self._cells = BandCells(rate_hz)

    def feed(self, block: NDArray[np.float64]) -> None:
        """Take the next block, float64 of shape (frames, 2)."""
        self._spectrum.feed(block)
        self._cells.feed(block)

    def spectrum_db(self) -> tuple[float, ...] | None:
        """Return each third octave against the loudest one, -60 dB at least; None for silence."""
        levels = [-np.inf if level is None else level for level in self._spectrum.levels_db()]
        highest = max(levels)
        return None if highest == -np.inf else tuple(max(level - highest, -HEARD_DB) for level in levels)

    def crest_db(self) -> Levels:
        """Return sample peak over RMS, over all and by band; None for silence."""
        rows = zip(self._cells.names, self._cells.peaks(), self._cells.powers(), strict=True)
        return {name: _crest_db(peaks, powers) for name, peaks, powers in rows}

    def range_db(self) -> Levels:
        """Return the range of the level of 3 s, over all and by band; None for silence and under 3 s.

        By the gate and the percentiles of EBU Tech 3342, but of plain power and without an absolute gate.
        """
        return {
            name: _range_db(powers)
            for name, powers in zip(self._cells.names, self._cells.powers(), strict=True)
        }

    def side_to_mid_db(self) -> Levels:
        """Return the width of each band; None where there is no mid or no side."""
        return {name: read.side_to_mid_db for name, read in stereo_by_band(self._spectrum).items()}


@dataclass(frozen=True)
class Likeness:
    """A sound less its reference. What one of the two does not have is None.

    Attributes
    ----------
    spectrum_db
        Root of the mean square of the next.
    by_third_octave_db
        Difference in each third octave, from 20 Hz up, after the gain that makes them 0 dB in the mean.
    crest_db, range_db
        Difference in crest factor and in range of level, over all and by band.
    side_to_mid_db
        Difference in width by band.
    """

    spectrum_db: float | None
    by_third_octave_db: tuple[float, ...] | None
    crest_db: Levels
    range_db: Levels
    side_to_mid_db: Levels


def likeness(sound: Character, reference: Character) -> Likeness:
    """Compare a sound with a reference; where their rates differ, in the bands that both have."""
    by_band = _spectrum_apart(sound.spectrum_db(), reference.spectrum_db())
    return Likeness(
        spectrum_db=None if by_band is None else float(np.sqrt(np.mean(np.square(by_band)))),
        by_third_octave_db=by_band,
        crest_db=_apart(sound.crest_db(), reference.crest_db()),
        range_db=_apart(sound.range_db(), reference.range_db()),
        side_to_mid_db=_apart(sound.side_to_mid_db(), reference.side_to_mid_db()),
    )


def _crest_db(peaks: NDArray[np.float64], powers: NDArray[np.float64]) -> float | None:
    power = powers.mean() if len(powers) else 0.0
    return power_db(float(peaks.max() ** 2 / power)) if power > 0 else None


def _range_db(powers: NDArray[np.float64]) -> float | None:
    if len(powers) < SHORT_TERM_TENTHS or not powers.any():
        return None
    short_term = sliding_window_view(powers, SHORT_TERM_TENTHS).mean(axis=1)
    return loudness_range_lu(short_term / short_term.max())


def _spectrum_apart(
    sound: tuple[float, ...] | None, reference: tuple[float, ...] | None
) -> tuple[float, ...] | None:
    if sound is None or reference is None:
        return None
    apart = np.array([one - other for one, other in zip(sound, reference, strict=False)])
    return tuple(float(value) for value in apart - apart.mean())


def _apart(sound: Levels, reference: Levels) -> Levels:
    return {name: _difference(sound[name], reference[name]) for name in sound if name in reference}


def _difference(one: float | None, other: float | None) -> float | None:
    return None if one is None or other is None else one - other
