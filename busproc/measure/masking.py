"""Which stem hides which: in what band, how much of it, how much of the time, and when."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from busproc.measure.excitation import Excitation
from busproc.measure.passages import Passage

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    Cells = NDArray[np.float64]
    Held = NDArray[np.floating[Any]]

OFFSET_DB = 4.0
"""A masker hides what lies so far under its own excitation: noise masking a tone (4 to 5 dB; Hellman 1972,
cited second-hand). Music lies between noise and tones, which mask less."""
EXPONENT = 0.23
"""Loudness grows with this power of excitation. Ours, near the 0.2 to 0.3 of published loudness models."""
HOLD_S = 0.06
"""What a masker leaves behind falls to 1/e of its power in this time. Ours."""
SOUNDS_DB = 30.0
"""A stem sounds down to so far under its loud moments, and in a band down to so far under the whole. Ours."""
_LOUD_PERCENTILE = 95
_SILENT_DB = 60.0
"""What lies further under a stem's loudest moment does not count when its loud moments are sought."""


@dataclass(frozen=True)
class Hiding:
    """What one stem loses to another one, or to all others at once.

    Attributes
    ----------
    masked, masker
        Names of the stems; the masker is None for all others together.
    loss
        Share of the masked stem's loudness that is lost while it sounds, all bands together, 0 to 1. It is no
        probability: two stems alike take about 0.7 from each other.
    sounds_by_band
        Share of the masked stem's time in which it sounds in each band.
    loss_by_band
        Mean loss while it does, 0 to 1; 0 where it never does.
    covered_by_band
        Share of that time in which the masker reaches over it altogether. It jumps where the two lie near
        each other: to compare two mixes take the loss.
    band
        The band in which most is lost over the stem's time.
    freq_hz
        Middle of that band.
    worst
        The second in which most of that band is lost.
    """

    masked: str
    masker: str | None
    loss: float
    sounds_by_band: tuple[float, ...]
    loss_by_band: tuple[float, ...]
    covered_by_band: tuple[float, ...]
    band: int
    freq_hz: float
    worst: Passage


class Masking:
    """Masking between stems that run in step, by their excitation on the ERB-number scale.

    A stem of excitation E under a masker of excitation A, held for a while after it ends, keeps
    ((E + M)^a - M^a) / E^a of its loudness, with M = A less `OFFSET_DB` and a = `EXPONENT`: the form of
    partial loudness of Moore, Glasberg and Baer (JAES 45, 1997; from memory), without the threshold in quiet,
    since nobody knows how loud it will be played. The rest is the loss. It is taken only where the stem
    sounds (`SOUNDS_DB`). Both sides count together, so what panning uncovers is left out; so is the
    difference between tones and noise. All others together are the sum of their powers.

    The constants above are ours and have not been validated by listening: orders and differences between two
    mixes mean more than the numbers themselves.

    Parameters
    ----------
    rate_hz
        Frames a second, the same for all stems.
    stems
        Their names.

    Attributes
    ----------
    freqs_hz : tuple of float
        The middles of the bands, one ERB apart.
    """

    def __init__(self, rate_hz: int, stems: Sequence[str]) -> None:
        self._excitations = {name: Excitation(rate_hz) for name in stems}
        like = Excitation(rate_hz)
        self.freqs_hz = like.freqs_hz
        self._hop_s, self._window_s = like.hop_s, like.window_s

    def feed(self, blocks: Mapping[str, NDArray[np.float64]]) -> None:
        """Take the next block of every stem, each float64 of the same shape (frames, 2)."""
        for name, excitation in self._excitations.items():
            excitation.feed(blocks[name])

    def pairs(self) -> list[Hiding]:
        """Return what each stem loses to each other one, most first; stems without a sound have nothing."""
        maskers = {name: self._held(each.cells()) for name, each in self._excitations.items()}
        found = [
            self._hiding(sounding, masked, masker, held)
            for masked, sounding in self._sounding()
            for masker, held in maskers.items()
            if masker != masked
        ]
        return sorted(found, key=lambda hiding: -hiding.loss)

    def against_rest(self) -> list[Hiding]:
        """Return what each stem loses to all others together, most first."""
        found = [
            self._hiding(sounding, masked, None, self._held(self._others(masked)))
            for masked, sounding in self._sounding()
        ]
        return sorted(found, key=lambda hiding: -hiding.loss)

    def by_second(self, masked: str, masker: str | None = None) -> Cells:
        """Return the mean loss in each second and band, (seconds, bands); NaN where the stem is not heard.

        Parameters
        ----------
        masked
            The stem that is hidden.
        masker
            The one that hides it; all others together by default.
        """
        own = self._excitations[masked].cells()
        other = self._others(masked) if masker is None else self._excitations[masker].cells()
        sounding = _sounding(own)
        loss = _loss(sounding, self._held(other))
        count, total = (self._seconds(sounding, len(own), each) for each in (None, loss))
        return np.divide(total, count, out=np.full_like(total, math.nan), where=count > 0)

    def _sounding(self) -> Iterable[tuple[str, Sounding]]:
        """Each stem that sounds at all, and where it does."""
        for name, excitation in self._excitations.items():
            sounding = _sounding(excitation.cells())
            if len(sounding.power):
                yield name, sounding

    def _hiding(self, sounding: Sounding, masked: str, masker: str | None, held: Held) -> Hiding:
        loss = _loss(sounding, held)
        bands = len(self.freqs_hz)
        cells, lost, covered = (
            np.bincount(sounding.band, weights, bands)
            for weights in (None, loss, _ratio(sounding, held) >= 1)
        )
        band = int(lost.argmax())
        worst_s = int(self._seconds(sounding, len(held), loss)[:, band].argmax())
        loudness = sounding.power**EXPONENT
        some = np.maximum(cells, 1)
        return Hiding(
            masked,
            masker,
            loss=float((loss * loudness).sum() / loudness.sum()),
            sounds_by_band=_numbers(cells / sounding.windows),
            loss_by_band=_numbers(lost / some),
            covered_by_band=_numbers(covered / some),
            band=band,
            freq_hz=self.freqs_hz[band],
            worst=Passage(float(worst_s), float(worst_s + 1)),
        )

    def _seconds(self, sounding: Sounding, windows: int, weights: Cells | None) -> Cells:
        """Sum the cells that sound by the second in which the middle of their window lies."""
        bands = len(self.freqs_hz)
        middles = (self._window_s / 2 + self._hop_s * np.arange(windows)).astype(np.int64)
        seconds = int(middles[-1]) + 1
        place = middles[sounding.window] * bands + sounding.band
        return np.bincount(place, weights, seconds * bands).reshape(seconds, bands).astype(np.float64)

    def _others(self, masked: str) -> Cells:
        total = np.zeros(self._excitations[masked].cells().shape)
        for name, each in self._excitations.items():
            if name != masked:
                total += each.cells()
        return total

    def _held(self, cells: Held) -> Held:
        """What a masker covers: its own power or what is left of it from before, whichever is more."""
        kept = math.exp(-self._hop_s / HOLD_S)
        held = cells * 10 ** (-OFFSET_DB / 10)
        for before, now in itertools.pairwise(held):
            np.maximum(now, kept * before, out=now)
        return held


class Sounding(NamedTuple):
    """The cells in which a stem sounds: their window, band and power; and in how many windows it does."""

    window: NDArray[np.int64]
    band: NDArray[np.int64]
    power: Cells
    windows: int


def _sounding(cells: NDArray[np.float32]) -> Sounding:
    share = 10 ** (-SOUNDS_DB / 10)
    whole = cells.sum(axis=1, dtype=np.float64)
    loud = whole[whole > 10 ** (-_SILENT_DB / 10) * whole.max(initial=0.0)]
    on = whole > (share * np.percentile(loud, _LOUD_PERCENTILE) if len(loud) else 0.0)
    window, band = np.nonzero(on[:, None] & (cells > share * whole[:, None]))
    return Sounding(window, band, cells[window, band].astype(np.float64), int(on.sum()))


def _ratio(sounding: Sounding, held: Held) -> Cells:
    ratio: Cells = held[sounding.window, sounding.band] / sounding.power
    return ratio


def _loss(sounding: Sounding, held: Held) -> Cells:
    ratio = _ratio(sounding, held)
    return 1 - ((1 + ratio) ** EXPONENT - ratio**EXPONENT)


def _numbers(values: Cells) -> tuple[float, ...]:
    return tuple(float(value) for value in values)
