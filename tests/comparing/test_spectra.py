"""Long-term spectra, how sure they are, and filters found between two sounds."""

import numpy as np
import pytest

from busproc.comparing.curves import curve_db
from busproc.comparing.spectra import LongTerm, Transfer, _below, edges_hz
from tests.comparing.sounds import EQ, equalised, pink, song
from tests.measure.healthy import RATE_HZ, noise

pytestmark = pytest.mark.slow


def long_term(audio, rate_hz=RATE_HZ, size=65536):
    made = LongTerm(rate_hz)
    for at in range(0, len(audio), size):
        made.feed(audio[at : at + size])
    return made


def transfer(one, other, size=65536):
    made = Transfer(RATE_HZ)
    for at in range(0, len(one), size):
        made.feed(one[at : at + size], other[at : at + size])
    return made


@pytest.mark.parametrize("size", [777, 65536])
def test_the_size_of_blocks_does_not_matter(size):
    sound = pink(1, 6)
    found, expected = long_term(sound, size=size), long_term(sound, size=len(sound))
    assert (found.levels_db() == expected.levels_db()).all()
    both = transfer(sound, equalised(sound), size), transfer(sound, equalised(sound), len(sound))
    assert (both[0].gains_db() == both[1].gains_db()).all()


def test_the_bands_are_third_octaves_from_25_hz_to_16_khz():
    edges = edges_hz(48000)
    assert len(edges) == 30
    # IEC 61260-1: edges a sixth of a base-ten octave from the midbands
    assert edges[[0, -1]] == pytest.approx([1000 * 10**-1.65, 1000 * 10**1.25])
    assert edges_hz(8000)[-1] == pytest.approx(1000 * 10**0.45)


def test_a_bin_reaches_half_its_width_to_both_sides():
    # lines at 0, 2, 4 and 6 Hz
    assert _below(np.array([1.0, 2.0, 4.0, 8.0]), 2.0, np.array([1.0, 4.0, 5.0])).tolist() == [1.0, 5.0, 7.0]


def test_pink_noise_is_as_loud_in_every_band():
    levels = long_term(pink(2, 60)).levels_db()
    assert np.ptp(levels[8:]) < 0.5
    assert np.ptp(levels) < 2


def test_errors_are_those_of_noise():
    # white noise, 60 s: a band of 1/3 octave at 1 kHz holds 231 Hz; twice 60 s * 231 Hz numbers, both sides
    theory_db = 10 / np.log(10) / np.sqrt(2 * 60 * 230.8)
    found = np.mean([long_term(noise(seed, seconds=60)).errors_db()[16] for seed in range(5)])
    assert found == pytest.approx(theory_db, rel=0.3)


def test_music_is_less_sure_than_noise():
    assert np.median(long_term(song()).errors_db()) > 3 * np.median(
        long_term(noise(3, seconds=24)).errors_db()
    )


@pytest.mark.parametrize("side", [0.1, 0.5])
def test_side_against_mid_is_read(side):
    found = long_term(pink(4, 30, side)).side_to_mid_db()
    assert found[8:] == pytest.approx(np.full(21, 20 * np.log10(side)), abs=0.5)


def test_where_there_is_no_side_nothing_is_told():
    assert np.isnan(long_term(np.repeat(pink(5, 6)[:, :1], 2, axis=1)).side_to_mid_db()).all()


def test_bands_far_under_the_loudest_are_not_heard():
    t = np.arange(8 * RATE_HZ) / RATE_HZ
    heard = long_term(np.repeat(np.sin(2 * np.pi * 1000 * t)[:, None], 2, axis=1)).is_heard()
    assert heard[16]
    assert not heard[[0, 5, 25]].any()


@pytest.mark.parametrize("make", [lambda: pink(6, 20), song], ids=["noise", "music"])
def test_the_filter_between_two_sounds_is_found(make):
    sound = make()
    found = transfer(sound, 0.5 * equalised(sound))
    points = found.points()
    expected = points.in_bands_db(10 ** (curve_db(EQ, points.freqs_hz) / 10)) - 20 * np.log10(2)
    np.testing.assert_allclose(found.gains_db(), expected, atol=0.03)
    assert found.explained().min() > 0.999


def test_what_is_not_of_the_sound_is_not_explained():
    sound = pink(7, 20)
    found = transfer(sound, sound + pink(8, 20))
    assert np.median(found.explained()) == pytest.approx(0.5, abs=0.05)
    # the gain stays that of the filter
    assert np.abs(np.median(found.gains_db())) < 0.2
