"""Figures of one variation in one passage, beside the untouched input."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from statistics import fmean
from typing import Any

import numpy as np

from busproc.chain import Chain, process
from busproc.files import AudioReader
from busproc.measure.decibels import power_db
from busproc.measure.harmonics import harmonics
from busproc.measure.likeness import Character, likeness
from busproc.measure.meter import Meter
from busproc.measure.residue import NullDepth, Residue
from busproc.measure.spectrum import ThirdOctaves
from busproc.measure.stereo import stereo_by_band
from busproc.measure.transients import Transients
from busproc.progress import Progress
from busproc.scratch import BLOCK_FRAMES
from busproc.shootouts.keeping import together
from busproc.stages.base import Audio
from busproc.stages.observe import NOMINAL_HZ

SINE_HZ = 997
SETTLING_S = 1
"""Of the sine before the second in which its harmonics are measured."""

Figures = dict[str, Any]


def measure(
    sound: Path,
    untouched: Path,
    chain: Chain,
    reduction_db: Sequence[float] | None,
    level_dbfs: float | None,
    reference: Path | None,
    progress: Progress,
) -> Figures:
    """Measure a passage of a variation.

    Parameters
    ----------
    sound, untouched
        The passage behind the chain and without it, aligned to the sample; their levels do not matter.
    chain
        What made the variation, for the sine.
    reduction_db
        Gain reduction of its stages together, each 0.1 s of the passage.
    level_dbfs
        Peak of the sine; none for silence.
    reference
        A recording to be compared with.
    progress
        Called now and then.

    Returns
    -------
    dict
        The figures that a goal may speak of, by their names in `Amounts`, and details beside them.
    """
    with AudioReader(sound) as reader:
        rate_hz = reader.info.rate_hz
    meter, spectrum, before = Meter(rate_hz, 2), ThirdOctaves(rate_hz), ThirdOctaves(rate_hz)
    attacks, attacks_before, character = Transients(rate_hz), Transients(rate_hz), Character(rate_hz)
    residue, null = Residue(rate_hz), NullDepth()
    for block, original in together(sound, untouched):
        progress("measuring", 0.0)
        meter.feed(block)
        spectrum.feed(block)
        before.feed(original)
        attacks.feed(block)
        attacks_before.feed(original)
        character.feed(block)
        residue.feed(original, block)
        null.feed(block, original)
    reading, bands = meter.reading(), stereo_by_band(spectrum)
    to_body = attacks.to_body_db(attacks_before.onsets())
    sine = _harmonics(chain, rate_hz, level_dbfs)
    levels = spectrum.levels_db()
    return {
        "integrated_lufs": reading.integrated_lufs,
        "short_term_max_lufs": reading.short_term_max_lufs,
        "true_peak_dbtp": reading.true_peak_dbtp,
        "transient_to_body_db": to_body["whole"],
        "crest_factor_db": reading.crest_factor_db,
        "peak_to_short_term_db": _less(reading.true_peak_dbtp, reading.short_term_max_lufs),
        "loudness_range_lu": reading.loudness_range_lu,
        "reduction_db": float(np.percentile(reduction_db, 95)) if reduction_db else 0.0,
        "residue_db": residue.residue_db(),
        "thd_db": sine["thd_db"],
        **_stereo(spectrum),
        **_distances(character, reference),
        "null_depth_db": null.null_depth_db,
        "transient_to_body_by_band_db": to_body,
        "third_octaves_db": _named(levels),
        "spectrum_change_db": _named(_change(levels, before.levels_db())),
        "residue_by_third_octave_db": _named(residue.by_band_db()),
        "width_by_band_db": {name: band.side_to_mid_db for name, band in bands.items()},
        "mono_loss_by_band_db": {name: band.mono_loss_db for name, band in bands.items()},
        "harmonics_db": sine["harmonics_db"],
        "sine_dbfs": level_dbfs,
    }


def _stereo(spectrum: ThirdOctaves) -> Figures:
    """Width and mono loss of everything together."""
    both, mid = (
        sum(10 ** (level / 10) for level in levels if level is not None)
        for levels in (spectrum.levels_db(), spectrum.mono_levels_db())
    )
    has_both = both > 0 and min(mid, both - mid) > 1e-12 * both
    return {
        "width_db": power_db((both - mid) / mid) if has_both else None,
        "mono_loss_db": power_db(max(mid / both, 1e-6)) if both > 0 else None,
    }


def _distances(character: Character, reference: Path | None) -> Figures:
    """How far from the reference, each part by itself: roots and means over the bands."""
    if reference is None:
        return {}
    apart = likeness(character, _character(reference))
    dynamics = [*_known(apart.crest_db), *_known(apart.range_db)]
    width = _known(apart.side_to_mid_db)
    return {
        "spectrum_distance_db": apart.spectrum_db,
        "dynamics_distance_db": fmean(dynamics) if dynamics else None,
        "width_distance_db": fmean(width) if width else None,
    }


def _known(levels: Mapping[str, float | None]) -> list[float]:
    return [abs(level) for level in levels.values() if level is not None]


def _character(file: Path) -> Character:
    with AudioReader(file) as reader:
        character = Character(reader.info.rate_hz)
        while len(block := reader.read(BLOCK_FRAMES)):
            character.feed(block if block.shape[1] == 2 else block.repeat(2, axis=1))
    return character


def _harmonics(chain: Chain, rate_hz: int, level_dbfs: float | None) -> Figures:
    """What a chain adds to a sine; sounds for keys are silent."""
    if level_dbfs is None:
        return {"thd_db": None, "harmonics_db": {}}
    frames = (SETTLING_S + 1) * rate_hz
    keys = {key.name: np.zeros((frames, 2)) for _, key in chain.key_inputs()}

    def sine(freq_hz: float, dbfs: float) -> Audio:
        wave = 10 ** (dbfs / 20) * np.sin(2 * np.pi * freq_hz * np.arange(frames) / rate_hz)
        return process(chain, np.stack([wave, wave], axis=1), rate_hz, keys=keys)

    found = harmonics(sine, rate_hz, level_dbfs, SINE_HZ)
    return {
        "thd_db": found.thd_db,
        "harmonics_db": {str(n): level for n, level in enumerate(found.harmonics_db, 2)},
    }


def _change(levels: Sequence[float | None], before: Sequence[float | None]) -> list[float | None]:
    """Change of each third octave, beside the mean change where both sound."""
    apart = [_less(one, other) for one, other in zip(levels, before, strict=True)]
    known = [each for each in apart if each is not None]
    middle = fmean(known) if known else 0.0
    return [_less(each, middle) for each in apart]


def _less(one: float | None, other: float | None) -> float | None:
    return None if one is None or other is None else one - other


def _named(levels: Sequence[float | None]) -> dict[str, float | None]:
    return dict(zip(NOMINAL_HZ, levels, strict=False))
