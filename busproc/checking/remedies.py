"""Remedies for a stem that is hidden, rendered and measured: a bell cut in what hides it, or a level."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from busproc.chain import Chain
from busproc.checking.findings import Trial
from busproc.checking.hearing import LoudnessOf
from busproc.measure.decibels import SINE_CREST_DB, power_db
from busproc.measure.excitation import erb_hz
from busproc.measure.faults.channels import SILENT_DBFS
from busproc.measure.masking import Masking
from busproc.pages.markup import shown
from busproc.stages.eq import DynamicBell, Eq, Shaped
from busproc.stages.gain import Gain
from busproc.through import Entrance, through

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from busproc.measure.masking import Hiding
    from busproc.progress import Progress
    from busproc.scratch import Scratch
    from busproc.song import Song
    from busproc.stages.base import Stage

    Audio = NDArray[np.float64]

DEPTHS_DB = (3.0, 6.0, 9.0)
LEVELS_DB = (3.0, 6.0)
RECOVERS = 0.1
"""Share of the loss in the band that a remedy must win back. Ours."""
BELL_ERB = 2.0
"""Width of a bell: so many bandwidths of the ear."""
DYNAMIC_RATIO = 4.0
"""Of a dynamic bell, which hears what hides: no bell can be keyed by another stem."""
_LOUD_PERCENTILE, _SILENT_DB = 95, 60.0
_LEAST_LU = 0.05


class _Measured(NamedTuple):
    """Loss of the masked stem in the band and as a whole, loss of the masker, loudness of both."""

    in_band: float
    masked: float
    masker: float
    lufs: Mapping[str, float | None]


@dataclass(frozen=True)
class Tryout:
    """What reaches the mix bus of some stems, for remedies to be tried on.

    A stage is put behind all else that its stem passes; dynamics on buses behind it are taken to do what they
    did without it. `shares` say what a stem's loudness is to the mix.
    """

    song: Song
    sounds: Mapping[str, Scratch]
    shares: Mapping[str, float]
    progress: Progress

    def trials(self, pair: Hiding) -> list[Trial]:
        """Try bells, dynamic bells and levels on the masker, and levels on the masked stem.

        Of each kind the least that wins enough back, or the most of all; those that work come first, and of
        these those that change the loudness of the mix least.
        """
        masker = pair.masker or ""
        before = self._measured(pair, masker, None)
        loud_dbfs = self._loud_dbfs(masker, pair.freq_hz)
        kinds: list[tuple[str, list[Stage]]] = [
            (masker, [bell(pair.freq_hz, -db) for db in DEPTHS_DB]),
            (masker, [dynamic_bell(pair.freq_hz, db, loud_dbfs) for db in DEPTHS_DB]),
            (masker, [Gain(stage="gain", gain_db=-db) for db in LEVELS_DB]),
            (pair.masked, [Gain(stage="gain", gain_db=db) for db in LEVELS_DB]),
        ]
        made = [self._least(pair, before, name, stages) for name, stages in kinds]
        return [trial for _, trial in sorted(made, key=lambda each: (not each[1].works, each[0]))]

    def trial(self, pair: Hiding, name: str, stage: Stage) -> Trial:
        """Try a stage of any kind on one of the two."""
        return self._trial(pair, self._measured(pair, name, None), name, stage)[1]

    def _least(
        self, pair: Hiding, before: _Measured, name: str, stages: Sequence[Stage]
    ) -> tuple[float, Trial]:
        for stage in stages:
            tried = self._trial(pair, before, name, stage)
            if tried[1].works:
                break
        return tried

    def _trial(self, pair: Hiding, before: _Measured, name: str, stage: Stage) -> tuple[float, Trial]:
        after = self._measured(pair, name, stage)
        old, new = before.lufs[name], after.lufs[name]
        louder_lu = 0.0 if old is None or new is None else new - old
        trial = Trial(
            what=f"{_in_words(stage)} in {name}",
            measure=f"loss of {pair.masked} at {pair.freq_hz:.0f} Hz",
            unit="",
            before=before.in_band,
            after=after.in_band,
            price=_price(pair, before, after, name, louder_lu),
            works=after.in_band <= (1 - RECOVERS) * before.in_band,
            suggestion=self._suggestion(name, stage),
        )
        return abs(louder_lu) * self.shares.get(name, 0.0), trial

    def _loud_dbfs(self, name: str, freq_hz: float) -> float:
        """Level of a stem around a frequency in its loud moments, as a dynamic bell hears it there."""
        detector = _dynamic(freq_hz, 0.0).detector(self.song.rate_hz, "analog")
        memory = detector.band.start(1)
        regions = (detector.band.apply(memory, each[:, None]) for each in self._entrance(name).blocks())
        powers = np.array([np.einsum("ijk,ijk->k", each, each).max() / len(each) for each in regions])
        sounds = powers[powers > 10 ** (-_SILENT_DB / 10) * powers.max()]
        loud_dbfs = power_db(float(np.percentile(sounds, _LOUD_PERCENTILE)) if len(sounds) else 0.0)
        return SILENT_DBFS if loud_dbfs is None else loud_dbfs + SINE_CREST_DB

    def _measured(self, pair: Hiding, changed: str, stage: Stage | None) -> _Measured:
        """Hear the pair, one of them through a stage if there is one."""
        sounds = {name: self._entrance(name) for name in self._names(pair)}
        if stage is not None:
            sounds[changed] = through(Chain(stages=(stage,)).placed(), sounds[changed]).left
        masking = Masking(self.song.rate_hz, list(sounds))
        loudness = {name: LoudnessOf(self.song.rate_hz) for name in sounds}
        self.progress(f"trying what brings {pair.masked} out", 0.0)
        for blocks in self._blocks(sounds):
            masking.feed(blocks)
            for name, block in blocks.items():
                loudness[name].feed(block)
        found = {each.masked: each for each in masking.pairs()}
        lufs = {name: each.lufs for name, each in loudness.items()}
        masked, masker = (found[name] for name in self._names(pair))
        return _Measured(masked.loss_by_band[pair.band], masked.loss, masker.loss, lufs)

    @staticmethod
    def _names(pair: Hiding) -> tuple[str, str]:
        assert pair.masker is not None
        return pair.masked, pair.masker

    @staticmethod
    def _blocks(sounds: Mapping[str, Entrance]) -> Iterator[dict[str, Audio]]:
        for together in zip(*(each.blocks() for each in sounds.values()), strict=True):
            yield dict(zip(sounds, together, strict=True))

    def _entrance(self, name: str) -> Entrance:
        return Entrance(self.song.rate_hz, self.sounds[name], self.sounds[name].frames)

    def _suggestion(self, name: str, stage: Stage) -> dict[str, object]:
        if isinstance(stage, Gain):
            level_db = self.song.files[name].stem.level_db + stage.gain_db
            return {"stem": name, "level_db": round(level_db, 3)}
        return {"stem": name, "stage": stage.model_dump(mode="json", exclude_unset=True)}


def bell(freq_hz: float, gain_db: float) -> Eq:
    """A bell two bandwidths of the ear wide."""
    band = Shaped(shape="bell", freq_hz=round(freq_hz, 1), gain_db=gain_db, q=_q_at(freq_hz))
    return Eq(stage="eq", bands=(band,))


def dynamic_bell(freq_hz: float, depth_db: float, loud_dbfs: float) -> Eq:
    """A bell as wide, turned down so far while its region has this level, and less while it is softer."""
    return Eq(stage="eq", bands=(_dynamic(freq_hz, loud_dbfs - depth_db / (1 - 1 / DYNAMIC_RATIO)),))


def _dynamic(freq_hz: float, threshold_dbfs: float) -> DynamicBell:
    return DynamicBell(
        shape="dynamic_bell",
        freq_hz=round(freq_hz, 1),
        q=_q_at(freq_hz),
        threshold_dbfs=round(min(max(threshold_dbfs, SILENT_DBFS), 0.0), 1),
        ratio=DYNAMIC_RATIO,
    )


def _q_at(freq_hz: float) -> float:
    return round(min(max(freq_hz / (BELL_ERB * erb_hz(freq_hz)), 0.7), 8.0), 2)


def _in_words(stage: Stage) -> str:
    if isinstance(stage, Gain):
        return f"{stage.gain_db:+g} dB"
    return (
        "; ".join(band.in_words() for band in stage.bands) if isinstance(stage, Eq) else type(stage).__name__
    )


def _price(pair: Hiding, before: _Measured, after: _Measured, name: str, louder_lu: float) -> str:
    change = (
        f"{shown(abs(louder_lu))} LU {'louder' if louder_lu > 0 else 'softer'}"
        if abs(louder_lu) >= _LEAST_LU
        else "as loud as before"
    )
    return (
        f"in all {pair.masked} loses {_instead(after.masked, before.masked)} and {pair.masker} "
        f"{_instead(after.masker, before.masker)}; {name} becomes {change}"
    )


def _instead(after: float, before: float) -> str:
    return f"{shown(after, 2)} instead of {shown(before, 2)}"
