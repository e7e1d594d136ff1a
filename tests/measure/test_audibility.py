"""What of a difference could be heard: cases whose answer is known, by published thresholds or by sense."""

from __future__ import annotations

import math

import numpy as np
import pytest

from busproc.chain import process
from busproc.measure.audibility import MARGIN_DB, difference, quiet_db_spl, worst
from busproc.measure.excitation import erb_number
from busproc.stages import REGISTRY

RATE_HZ = 48000


def noise(seconds, rms_dbfs, seed=1):
    rng = np.random.default_rng(seed)
    return 10 ** (rms_dbfs / 20) * rng.standard_normal((round(seconds * RATE_HZ), 2))


def tone(seconds, freq_hz, rms_dbfs):
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    wave = 10 ** (rms_dbfs / 20) * math.sqrt(2) * np.sin(2 * np.pi * freq_hz * t)
    return np.stack([wave, wave], axis=1)


def music(seconds=4.0):
    """Struck notes with overtones, each a quarter of a second after the other, over soft breath."""
    sound = noise(seconds, -55.0)
    for n in range(int(4 * seconds)):
        freq_hz = 110 * 2 ** ((5 * n % 24) / 12)
        t = np.arange(len(sound) - n * RATE_HZ // 4) / RATE_HZ
        for k in range(1, 9):
            wave = 0.1 / k * np.sin(2 * np.pi * k * freq_hz * t) * np.exp(-2 * t)
            sound[-len(t) :] += wave[:, None] * [1.0, 0.7]
    return sound


def eq(sound, **band):
    stage = REGISTRY["eq"].model_validate({"bands": [band]})
    return process(stage, sound, RATE_HZ)


def test_the_threshold_in_quiet_follows_terhardt():
    """Values of the formula (Terhardt 1979) computed apart from this code, in dB SPL."""
    for freq_hz, level in ((100, 22.953), (1000, 3.369), (3300, -4.981), (12000, 21.235)):
        assert quiet_db_spl(freq_hz) == pytest.approx(level, abs=0.0006)


def test_the_margin_covers_what_a_standard_hears_below_the_threshold_in_quiet():
    """Threshold of hearing in ISO 226:2003 and, at 16 kHz, ISO 389-7 (both from memory)."""
    standard = {20: 78.5, 50: 44.0, 125: 22.1, 500: 4.4, 2000: -1.3, 3150: -6.0, 8000: 12.6, 12500: 12.3}
    for freq_hz, level in {**standard, 16000: 40.2}.items():
        assert quiet_db_spl(freq_hz) - level < MARGIN_DB


def test_a_shelf_of_a_tenth_of_a_decibel_is_not_heard():
    found = difference(music(), eq(music(), shape="high_shelf", freq_hz=2000.0, gain_db=0.1), RATE_HZ)
    assert found.level.db == pytest.approx(0.1, abs=0.02)  # a resonance of the shelf may lie a little over
    assert not found.is_heard


def test_a_bell_of_three_decibels_is_heard_where_it_stands():
    found = difference(music(), eq(music(), shape="bell", freq_hz=880.0, gain_db=3.0), RATE_HZ)
    assert found.is_heard
    assert found.level.db == pytest.approx(3.0, abs=0.3)
    assert abs(erb_number(found.level.freq_hz) - erb_number(880.0)) < 1


@pytest.mark.parametrize(("change_db", "is_heard"), [(0.2, False), (-0.2, False), (1.0, True), (-1.0, True)])
def test_a_change_of_level_is_heard_from_about_half_a_decibel(change_db, is_heard):
    """Just noticeable for noise: 0.4 to 0.5 dB (Miller 1947, from memory); for most sounds under 1 dB."""
    found = difference(music(), 10 ** (change_db / 20) * music(), RATE_HZ)
    assert found.level.db == pytest.approx(change_db, abs=0.001)
    assert found.is_heard is is_heard


def test_soft_noise_is_hidden_by_music_and_loud_noise_is_not():
    assert not difference(music(), music() + noise(4.0, -100.0, seed=2), RATE_HZ).is_heard
    assert difference(music(), music() + noise(4.0, -50.0, seed=2), RATE_HZ).is_heard


@pytest.mark.parametrize("frame", [0, 30000, RATE_HZ - 1])
def test_a_click_in_silence_is_heard_where_it_stands(frame):
    silence, clicked = np.zeros((2, RATE_HZ, 2))
    clicked[frame] = 0.01
    found = difference(silence, clicked, RATE_HZ)
    assert found.is_heard
    assert found.noise.at_s == pytest.approx(frame / RATE_HZ, abs=0.02)  # half a short window, and its hop


def test_a_click_under_the_threshold_in_quiet_is_not_heard():
    """One of -140 dBFS: a tenth of what 24 bits resolve."""
    silence, clicked = np.zeros((2, RATE_HZ, 2))
    clicked[30000] = 1e-7
    assert not difference(silence, clicked, RATE_HZ).is_heard


def test_a_tone_in_noise_is_heard_from_the_critical_ratio_on_at_the_latest():
    """At 1 kHz a tone is detected 18 dB over the noise in 1 Hz (Hawkins and Stevens 1950, from memory)."""
    masker = noise(4.0, -30.0)
    in_one_hertz_dbfs = -30.0 - 10 * math.log10(RATE_HZ / 2)
    for over_db, is_heard in ((18.0, True), (18.0 - MARGIN_DB - 15.0, False)):
        added = masker + tone(4.0, 1000.0, in_one_hertz_dbfs + over_db)
        assert difference(masker, added, RATE_HZ).is_heard is is_heard


def test_a_tone_far_from_what_sounds_is_heard_where_the_same_near_it_is_hidden():
    loud, shelter = tone(2.0, 1000.0, -20.0), noise(2.0, -20.0)
    soft = tone(2.0, 4000.0, -70.0)  # 33 dB SPL over a threshold of -3.4
    assert difference(loud, loud + soft, RATE_HZ).is_heard
    assert not difference(shelter, shelter + soft, RATE_HZ).is_heard


def test_the_whole_turned_upside_down_is_not_heard_and_one_side_is():
    upside_down = difference(music(), -music(), RATE_HZ)
    assert (upside_down.noise, upside_down.level.db) == (None, 0.0)
    assert difference(music(), music() * [1.0, -1.0], RATE_HZ).is_heard


def test_an_echo_late_enough_to_be_heard_as_one_is():
    strokes = np.zeros((RATE_HZ, 2))
    strokes[10000] = 0.5
    assert difference(strokes, np.roll(strokes, 4800, axis=0), RATE_HZ).is_heard


def test_two_ears_bring_out_at_the_sides_what_is_hidden_in_the_middle():
    """By 15 dB at most, so not what lies 70 dB under the middle."""
    middle, added = noise(2.0, -20.0)[:, :1], noise(2.0, 0.0, seed=3)[:, :1]

    def is_heard(rms_dbfs, sides):
        return difference(
            middle * [1.0, 1.0], middle + 10 ** (rms_dbfs / 20) * added * sides, RATE_HZ
        ).is_heard

    assert is_heard(-57.0, [1.0, -1.0])
    assert not is_heard(-57.0, [1.0, 1.0])
    assert not is_heard(-90.0, [1.0, -1.0])


def test_which_of_two_sounds_comes_first_does_not_matter():
    one, other = music(), eq(music(), shape="bell", freq_hz=880.0, gain_db=1.0)
    there, back = difference(one, other, RATE_HZ), difference(other, one, RATE_HZ)
    assert there.noise == back.noise
    assert there.level.db == pytest.approx(-back.level.db)


@pytest.mark.parametrize("rate_hz", [44100, 96000])
def test_the_rate_matters_little(rate_hz):
    """Windows of 93 and 85 ms, of 23 and 21 ms: what a tone of 4 kHz in silence reaches is the same."""
    t = np.arange(rate_hz) / rate_hz
    wave = np.stack([np.sin(2 * np.pi * 4000 * t)] * 2, axis=1)
    found = difference(np.zeros_like(wave), 1e-3 * wave, rate_hz)
    assert found.noise.db == pytest.approx(40.0 - quiet_db_spl(found.noise.freq_hz), abs=1.5)


def test_sounds_shorter_than_a_window_and_equal_ones_are_compared():
    short = noise(0.005, -20.0)
    assert difference(short, short, RATE_HZ).weight == 0
    assert difference(short, 0.5 * short, RATE_HZ).is_heard


def test_the_worst_of_several_places_is_told_with_its_time():
    small, large = (difference(music(), gain * music(), RATE_HZ) for gain in (1.01, 1.1))
    assert worst([large.later(20.0), small]) == large.later(20.0)
    assert large.later(20.0).noise.at_s == large.noise.at_s + 20.0
