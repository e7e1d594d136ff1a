"""Where the references lie, and how far a sound is from there: balance, width, dynamics."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import fmean, median

import numpy as np
from numpy.typing import NDArray

from busproc.comparing.fitting import Wanted
from busproc.comparing.measures import Levels, Measures
from busproc.comparing.same import Copy
from busproc.comparing.spectra import PER_BAND, LongTerm, Points, Transfer
from busproc.measure.bands import EDGES_HZ
from busproc.measure.decibels import rounded
from busproc.measure.likeness import Character
from busproc.progress import Progress
from busproc.stages.base import Audio
from busproc.through import Entrance

LEAST_ERROR_DB = 0.02
"""No long-term level is taken to be surer than this."""
LEAST_GAIN_ERROR_DB = 0.003
LEAST_EXPLAINED = 0.5
"""Where a filter explains less of a reference, what else there is has the say: the band has none."""


@dataclass(frozen=True)
class Away:
    """How far a sound lies from the references.

    Attributes
    ----------
    balance_db
        Rms of what is left of the balance, each band as sure as it is; without the level.
    balance_most_db
        The most in one band.
    width_db
        Rms of side against mid, by broad band; None where there is nothing to compare.
    dynamics_db
        Mean of the differences of crest factor and short-term range, over all and by broad band.
    """

    balance_db: float
    balance_most_db: float
    width_db: float | None
    dynamics_db: float | None

    def as_dict(self) -> dict[str, float | None]:
        """Rounded to 0.01 dB."""
        return {name: rounded(value, 2) for name, value in vars(self).items()}


class Heard:
    """What must be known of a sound to tell how far away it is."""

    def __init__(self, sound: Entrance, progress: Progress) -> None:
        self.sound = sound
        self.long_term, self.character = LongTerm(sound.rate_hz), Character(sound.rate_hz)
        for block in sound.blocks():
            progress("measuring what was tried", 0.0)
            self.long_term.feed(block)
            self.character.feed(block)


@dataclass(frozen=True)
class Goal:
    """The references. Where all are copies of the mix, the balance is that of the filters between them."""

    references: Sequence[Measures]
    copies: tuple[Copy, ...]

    def away(self, heard: Heard, progress: Progress) -> Away:
        """Tell how far a sound lies from the references."""
        balance = self.balance(heard, progress)
        left_db = balance.change_db - balance.mean_db(balance.change_db)
        width = [each for each in self.width_by_band_db(heard.character).values() if each is not None]
        dynamics = [each for each in self._dynamics_db(heard.character) if each is not None]
        return Away(
            balance.rms_db(balance.change_db),
            float(np.abs(left_db[balance.weights > 0]).max(initial=0.0)),
            float(np.sqrt(np.mean(np.square(width)))) if width else None,
            fmean(map(abs, dynamics)) if dynamics else None,
        )

    def balance(self, heard: Heard, progress: Progress) -> Wanted:
        """How the balance of a sound would have to change."""
        if self.copies:
            return _of_transfers([copy.transfer(heard.sound, progress) for copy in self.copies])
        spectra = [each.long_term for each in self.references]
        return _wanted(
            heard.long_term,
            [each.levels_db() - _middle(each.levels_db()) for each in spectra],
            heard.long_term.levels_db(),
            [each.errors_db() for each in spectra],
            heard.long_term.errors_db(),
            [each.is_heard() for each in (heard.long_term, *spectra)],
        )

    def width(self, heard: Heard) -> Wanted:
        """How side against mid would have to change, by third octave; the low end belongs in the middle."""
        spectra = [each.long_term for each in self.references]
        return _wanted(
            heard.long_term,
            [each.side_to_mid_db() for each in spectra],
            heard.long_term.side_to_mid_db(),
            [each.side_errors_db() for each in spectra],
            heard.long_term.side_errors_db(),
            [
                *(each.is_heard() for each in (heard.long_term, *spectra)),
                heard.long_term.is_over(EDGES_HZ[0]),
            ],
        )

    def width_by_band_db(self, sound: Character) -> Levels:
        """A sound's width less the references' median, by broad band."""
        theirs = [each.character.side_to_mid_db() for each in self.references]
        return _less_median(sound.side_to_mid_db(), theirs)

    def crest_db(self, sound: Character) -> Levels:
        """Its crest factor less theirs."""
        return _less_median(sound.crest_db(), [each.character.crest_db() for each in self.references])

    def range_db(self, sound: Character) -> Levels:
        """Its short-term range less theirs."""
        return _less_median(sound.range_db(), [each.character.range_db() for each in self.references])

    def _dynamics_db(self, sound: Character) -> list[float | None]:
        return [*self.crest_db(sound).values(), *self.range_db(sound).values()]


def _wanted(
    ours: LongTerm,
    theirs_db: Sequence[Audio],
    ours_db: Audio,
    their_errors_db: Sequence[Audio],
    our_errors_db: Audio,
    heard: Sequence[NDArray[np.bool_]],
) -> Wanted:
    """From levels to the median of the references', in the third octaves that all have and that are heard."""
    bands = min(len(each) for each in (ours_db, *theirs_db))
    change_db = np.median([each[:bands] for each in theirs_db], axis=0) - ours_db[:bands]
    theirs = (
        np.mean([each[:bands] ** 2 for each in their_errors_db], axis=0) + _spread_db(theirs_db, bands) ** 2
    )
    error_db = np.sqrt(our_errors_db[:bands] ** 2 + theirs / len(theirs_db) + LEAST_ERROR_DB**2)
    usable = np.all([each[:bands] for each in heard], axis=0) & np.isfinite(change_db + error_db)
    points = ours.points()
    return Wanted(
        Points(points.freqs_hz[: bands * PER_BAND], points.shares[:bands]),
        np.where(usable, change_db, 0.0),
        np.where(usable, error_db, np.inf),
    )


def _spread_db(levels_db: Sequence[Audio], bands: int) -> Audio:
    """How far references lie from each other: where they disagree, their median is in doubt."""
    if len(levels_db) == 1:
        return np.zeros(bands)
    with np.errstate(invalid="ignore"):
        spread: Audio = np.std([each[:bands] for each in levels_db], axis=0, ddof=1)
    return spread


def _of_transfers(found: Sequence[Transfer]) -> Wanted:
    """From filters between sounds and their copies, in the twelfth octaves that they explain."""
    usable = np.all([each.explained() >= LEAST_EXPLAINED for each in found], axis=0)
    gains = [np.where(usable, each.gains_db(), np.nan) for each in found]
    change_db = np.mean([each - _middle(each) for each in gains], axis=0)
    errors = np.mean([each.errors_db() ** 2 for each in found], axis=0) / len(found)
    return Wanted(
        found[0].points(),
        np.where(usable, change_db, 0.0),
        np.where(usable, np.sqrt(errors + LEAST_GAIN_ERROR_DB**2), np.inf),
    )


def _middle(levels_db: Audio) -> float:
    known = levels_db[np.isfinite(levels_db)]
    return float(np.median(known)) if len(known) else 0.0


def _less_median(ours: Levels, theirs: Sequence[Levels]) -> Levels:
    return {name: _less(value, [each.get(name) for each in theirs]) for name, value in ours.items()}


def _less(value: float | None, others: Iterable[float | None]) -> float | None:
    known = [each for each in others if each is not None]
    return None if value is None or not known else value - median(known)
