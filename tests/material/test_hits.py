"""Hits of recorded drums, laid out in rhythms that are known, with bleed of recorded others."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile as sf

from busproc.hits.finding import hits_of
from busproc.hits.placing import onset_frame
from busproc.hits.strength import strength_dbfs
from tests.hits.loops import matched, play

pytestmark = pytest.mark.material

SAMPLES = "sonic-pi-samples/usr/share/sonic-pi/samples"
RATE_HZ = 44100
LEAD_FRAMES = 50
LEAST_F = 0.90
"""Measured 0.926, least on toms and a cowbell beside drums that sound like them; of some 630 hits more than
twice its standard error, 0.02, may lack."""
SOFT_AND_HARD = {
    "bass": ("drum_bass_soft", "drum_bass_hard"),
    "snare": ("drum_snare_soft", "drum_snare_hard"),
    "tom_hi": ("drum_tom_hi_soft", "drum_tom_hi_hard"),
    "tom_mid": ("drum_tom_mid_soft", "drum_tom_mid_hard"),
    "tom_lo": ("drum_tom_lo_soft", "drum_tom_lo_hard"),
}
"""A stroke between the two is made of both, the onsets together."""
KITS = {
    "bass": ("snare", "drum_cymbal_closed"),
    "snare": ("bass", "drum_cymbal_closed"),
    "tom_hi": ("snare", "bass"),
    "tom_mid": ("tom_hi", "snare"),
    "tom_lo": ("snare", "tom_hi"),
    "drum_cymbal_closed": ("snare", "bass"),
    "drum_cowbell": ("bass", "snare"),
    "sn_dolf": ("bd_haus", "drum_cymbal_closed"),
    "bd_haus": ("sn_dolf", "drum_cymbal_closed"),
    "bd_boom": ("elec_hi_snare", "drum_cymbal_closed"),
    "drum_heavy_kick": ("sn_dolf", "drum_cymbal_closed"),
    "tabla_na": ("tabla_ghe1", "tabla_te1"),
    "tabla_ghe1": ("tabla_na", "tabla_te1"),
    "tabla_te1": ("tabla_ghe1", "tabla_na"),
    "elec_hi_snare": ("bd_boom", "drum_cymbal_closed"),
}
"""Each drum, and what bleeds in: samples that strike once, so that there is one onset to be right about."""


def recorded(folder, name):
    """A sample with its onset in frame 50, its first 20 ms at full scale."""
    sound = sf.read(folder / f"{name}.flac", always_2d=True)[0].mean(axis=1)
    sound = np.pad(sound, (LEAD_FRAMES, 0))
    sound = sound[onset_frame(sound[:, None]) - LEAD_FRAMES :]
    return sound / 10 ** (strength_dbfs(sound[:, None], LEAD_FRAMES, RATE_HZ) / 20)


def drum(folder, name):
    soft, hard = (recorded(folder, each) for each in SOFT_AND_HARD.get(name, (name, name)))
    frames = max(len(soft), len(hard))
    soft, hard = (np.pad(each, (0, frames - len(each))) for each in (soft, hard))
    return lambda _, loud: loud * hard + (1 - loud) * soft


def test_recorded_drums_are_found_beside_bleed(material):
    folder = material / SAMPLES
    right = told = 0
    errors_s = []
    for n, (name, others) in enumerate(KITS.items()):
        bleeding = [drum(folder, other) for other in others]
        loop = play(name, drum(folder, name), bleeding, seed=1000 + n, bpm=107, bars=6, rate_hz=RATE_HZ)
        at_s = np.array([hit.at_s for hit in hits_of([loop.sound], 1, RATE_HZ)])
        true, mine = matched(loop.truth_s, at_s, 0.010)
        right += 2 * len(true)
        told += len(loop.truth_s) + len(at_s)
        errors_s += list(np.abs(at_s[mine] - loop.truth_s[true]))
    assert right / told >= LEAST_F, right / told
    assert np.percentile(errors_s, 50) < 0.001
    assert np.percentile(errors_s, 95) < 0.007
