"""What is wanted of a balance, from long-term spectra alone."""

from types import SimpleNamespace

import numpy as np
import pytest

from busproc.comparing.curves import curve_db
from busproc.comparing.fitting import fit
from busproc.comparing.goal import Goal
from busproc.comparing.moves import SONG_LIMITS
from busproc.measure.likeness import Character
from busproc.progress import silently
from tests.comparing.sounds import EQ, equalised, pink, song
from tests.comparing.test_spectra import long_term
from tests.measure.healthy import RATE_HZ, noise

pytestmark = pytest.mark.slow

HZ = np.geomspace(25, 16000, 400)


def balance(mix, *references):
    goal = Goal([SimpleNamespace(long_term=long_term(each)) for each in references], ())
    return goal.balance(SimpleNamespace(long_term=long_term(mix)), silently)


@pytest.mark.parametrize("seed", range(4))
def test_the_eq_of_independent_noise_is_found(seed):
    # bar: 0.2 dB from 120 s (design experiments, section G)
    wanted = balance(pink(2 * seed + 20, 120), equalised(pink(2 * seed + 21, 120)))
    apart = curve_db(fit(wanted, SONG_LIMITS), HZ) - curve_db(EQ, HZ)
    assert np.abs(apart - apart.mean()).max() < 0.2


def test_a_gain_is_no_difference():
    sound = song()
    wanted = balance(sound, 0.1 * sound)
    assert wanted.rms_db(wanted.change_db) == pytest.approx(0, abs=1e-9)


def character_of(audio):
    character = Character(RATE_HZ)
    character.feed(audio)
    return character


def test_dynamics_are_told_as_the_sound_less_the_references_median():
    steady = 0.1 * noise(1, seconds=24)
    steps = steady * np.repeat([1.0, 0.25], 12 * RATE_HZ)[:, None]
    goal = Goal([SimpleNamespace(character=character_of(each)) for each in (steady, steady, steps)], ())
    assert goal.range_db(character_of(steps))["whole"] == pytest.approx(12, abs=0.5)
    assert goal.range_db(character_of(steady))["whole"] == pytest.approx(0, abs=1e-9)
    assert goal.crest_db(character_of(steps))["whole"] > 2  # half the power, the same peak


def test_bands_in_which_references_disagree_have_little_say():
    sound = pink(1, 20)
    lines = np.fft.rfft(sound, axis=0)
    freqs = np.fft.rfftfreq(len(sound), 1 / RATE_HZ)
    low, high = (
        np.fft.irfft(lines * np.where(freqs < 200, gain, 1.0)[:, None], n=len(sound), axis=0)
        for gain in (0.3, 3.0)
    )
    alone, both = balance(sound, high), balance(sound, low, high)
    assert both.weights[:8].max() < 0.1 * both.weights[12:].min()
    assert alone.weights[:8].max() > 0.1 * alone.weights[12:].min()


def test_what_neither_has_does_not_count():
    sound = pink(1, 20)
    lines = np.fft.rfft(sound, axis=0)
    freqs = np.fft.rfftfreq(len(sound), 1 / RATE_HZ)
    dull = np.fft.irfft(lines * (freqs < 8000)[:, None], n=len(sound), axis=0)
    wanted = balance(sound, dull)
    assert (wanted.weights[-3:] == 0).all()
    assert (wanted.weights[:-5] > 0).all()
    assert np.isfinite(wanted.change_db).all()
