"""The ERB-number scale against published figures, and what tones and noise excite on it."""

import numpy as np
import pytest

from busproc.measure.excitation import ERB_NUMBERS, Excitation, erb_hz, erb_number, freq_at

RATE_HZ = 48000


def excited(audio, rate_hz=RATE_HZ, size=None):
    excitation = Excitation(rate_hz)
    for start in range(0, len(audio), size or len(audio)):
        excitation.feed(audio[start : start + (size or len(audio))])
    return excitation


def tone(freq_hz, seconds=1.0, rate_hz=RATE_HZ):
    wave = np.sin(2 * np.pi * freq_hz * np.arange(round(seconds * rate_hz)) / rate_hz)
    return np.repeat(wave[:, None], 2, axis=1)


@pytest.mark.parametrize(
    ("freq_hz", "width_hz", "number"),
    [
        (50, 30.097, 1.8367),
        (100, 35.494, 3.3696),
        (500, 78.670, 10.7665),
        (1000, 132.639, 15.6214),
        (4000, 456.456, 27.1074),
        (10000, 1104.090, 35.3166),
    ],
)
def test_scale_of_glasberg_and_moore(freq_hz, width_hz, number):
    # worked out from the formulas of Hearing Research 47 (1990): 24.7 (4.37 F + 1), 21.4 lg(4.37 F + 1)
    assert erb_hz(freq_hz) == pytest.approx(width_hz, abs=6e-4)
    assert erb_number(freq_hz) == pytest.approx(number, abs=5e-5)
    assert freq_at(number) == pytest.approx(freq_hz, rel=1e-4)


@pytest.mark.parametrize("band", [3, 8, 14, 22, 30, 36])
def test_a_tone_at_the_middle_of_a_band_reads_its_mean_square(band):
    power = excited(tone(freq_at(ERB_NUMBERS[band]))).cells().mean(axis=0)
    assert power.argmax() == band
    assert power[band] == pytest.approx(0.5, rel=0.12)  # 1 % or so but for the lowest: the window is wide


@pytest.mark.parametrize("away_erb", [1, 2, 3])
def test_skirts_are_those_of_a_rounded_exponential(away_erb):
    freq_hz = freq_at(24)
    power = excited(tone(freq_hz)).cells().mean(axis=0)
    for side in (-1, 1):
        band = ERB_NUMBERS.index(24) + side * away_erb
        p_g = 4 * abs(freq_at(24 + side * away_erb) - freq_hz) / erb_hz(freq_at(24 + side * away_erb))
        assert power[band] == pytest.approx(0.5 * (1 + p_g) * np.exp(-p_g), rel=0.08)


def test_white_noise_excites_each_band_by_its_bandwidth():
    noise = np.random.default_rng(1).standard_normal((60 * RATE_HZ, 2))
    power = excited(noise, size=RATE_HZ).cells().mean(axis=0)
    expected = [erb_hz(freq_at(number)) / (RATE_HZ / 2) for number in ERB_NUMBERS]
    np.testing.assert_allclose(power[5:], expected[5:], rtol=0.05)  # the filter is as wide as its rectangle


@pytest.mark.parametrize("size", [7, 1000, 4096])
def test_block_size_does_not_matter(size):
    noise = np.random.default_rng(2).standard_normal((16000, 2))
    np.testing.assert_array_equal(excited(noise, 8000, size).cells(), excited(noise, 8000).cells())


@pytest.mark.parametrize("rate_hz", [8000, 44100, 96000])
def test_bands_and_powers_are_those_of_the_sound_at_any_rate(rate_hz):
    found = excited(tone(1000, 2.0, rate_hz), rate_hz)
    assert max(found.freqs_hz) < rate_hz / 2
    power = found.cells().mean(axis=0)
    reference = excited(tone(1000, 2.0)).cells().mean(axis=0)[: len(power)]
    np.testing.assert_allclose(power[10:20], reference[10:20], rtol=0.03)
    assert 0.08 <= found.window_s < 0.16


def test_a_channel_alone_has_half_the_power_of_both():
    both = tone(800)
    left = both * [1.0, 0.0]
    np.testing.assert_allclose(excited(left).cells(), 0.5 * excited(both).cells(), rtol=1e-5)
