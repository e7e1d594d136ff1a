"""What presets with a gate, a transient or a de-esser are for, in figures."""

from __future__ import annotations

import numpy as np
import pytest

from tests.songs import RATE_HZ
from tests.test_preset_purposes import band_db, db, gain_db, on_both_sides, peak_db, pink, sine, through

BEAT = RATE_HZ // 2
STRUCK = 100 * RATE_HZ // 1000
"""When in each beat the stroke comes."""
TENTH = RATE_HZ // 10


def strokes(level_dbfs, beats=6, fades_s=0.06):
    """A tone of 180 Hz struck in each half second, 1 ms rising, peaks at a level."""
    time = (np.arange(beats * BEAT) % BEAT - STRUCK) / RATE_HZ
    shape = np.where(time < 0, 0.0, np.exp(-np.abs(time) / fades_s) * (1 - np.exp(-np.abs(time) / 0.001)))
    wave = shape * np.sin(2 * np.pi * 180 * time)
    return wave * 10 ** (level_dbfs / 20) / np.abs(wave).max()


def in_beats(wave, first, frames):
    """The same part of each beat but the first."""
    return wave.reshape(-1, BEAT)[1:, first : first + frames]


def test_close_drum_gate_passes_strokes_whole_and_takes_what_leaks_in_down():
    """A soft stroke, 16 dB under the loud, passes as well; the leaking cymbal is 30 dB under the loud."""
    loud_and_soft = np.concatenate([strokes(-8, 4), strokes(-24, 4)])
    bus = loud_and_soft + pink(4, -42, low_hz=2000, high_hz=12000)
    gain = gain_db("close_drum_gate", on_both_sides(bus)).reshape(-1, 25)[1:]  # 20 ms each
    assert gain[:, 3].max() < -14, "before a stroke"
    assert gain[:, 5:8].min() > -0.1, "the stroke and its ring"


def test_close_drum_gate_lets_a_stroke_begin_with_its_first_sample():
    before = strokes(-8)
    after = through("close_drum_gate", before)[:, 0]
    begins = (in_beats(wave, STRUCK, RATE_HZ // 1000) for wave in (before, after))
    first_db, made_db = (db(wave).mean() for wave in begins)
    assert made_db == pytest.approx(first_db, abs=0.25)


@pytest.mark.parametrize("level_dbfs", [-6, -30])
def test_firmer_strokes_lifts_beginnings_and_dries_what_rings(level_dbfs):
    before = strokes(level_dbfs)
    after = through("firmer_strokes", before)[:, 0]
    begins = [peak_db(in_beats(wave, STRUCK, TENTH // 10)).mean() for wave in (before, after)]
    rings = [db(in_beats(wave, STRUCK + TENTH, TENTH)).mean() for wave in (before, after)]
    assert begins[1] - begins[0] == pytest.approx(4, abs=0.5)
    assert rings[1] - rings[0] == pytest.approx(-2, abs=0.5)


def spoken(hiss_dbfs):
    """A vowel, then an s, in turn each tenth of a second; the s alone once more."""
    vowel = sum(sine(freq_hz, -22 - 6 * n, 4) for n, freq_hz in enumerate((160, 320, 640, 1280)))
    turn = np.arange(4 * RATE_HZ) // TENTH % 2
    hiss = pink(4, hiss_dbfs, low_hz=5500, high_hz=11000)
    return np.where(turn, hiss, vowel), turn.astype(bool)


@pytest.mark.parametrize(("hiss_dbfs", "least_db", "most_db"), [(-22, 5, 8.1), (-42, -0.1, 0.5)])
def test_calmer_sibilants_turns_sharp_ones_down_and_leaves_soft_ones_and_vowels(hiss_dbfs, least_db, most_db):
    sound, is_hiss = spoken(hiss_dbfs)
    made = through("calmer_sibilants", sound)[:, 0]
    down_db = band_db(sound[is_hiss], 5000, 12000) - band_db(made[is_hiss], 5000, 12000)
    assert least_db < down_db < most_db
    assert band_db(made[~is_hiss], 100, 2000) == pytest.approx(band_db(sound[~is_hiss], 100, 2000), abs=0.1)
