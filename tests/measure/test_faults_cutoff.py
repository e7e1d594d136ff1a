"""Spectra that end at an earlier rate, and dark ones that do not."""

import numpy as np
import pytest
import soxr
from scipy import signal

from busproc.measure.faults.cutoff import CutoffSearch
from tests.measure import healthy

RATE_HZ = healthy.RATE_HZ


def cutoff(audio, rate_hz=RATE_HZ):
    search = CutoffSearch(rate_hz, audio.shape[1])
    for start in range(0, len(audio), 4096):
        search.feed(audio[start : start + 4096])
    return search.finding()


def rounded(audio, bits):
    noise = np.random.default_rng(1).triangular(-1, 0, 1, audio.shape)
    return np.round(audio * 2 ** (bits - 1) + noise) / 2 ** (bits - 1)


@pytest.mark.parametrize("name", ["music", "drums", "tremolo", "two_performances", "wide_room"])
@pytest.mark.parametrize("earlier_hz", [11025, 16000, 22050, 32000, 44100])
def test_an_earlier_rate_is_told(name, earlier_hz):
    audio = healthy.SOUNDS[name]() + 1e-5 * healthy.noise(77)
    through = soxr.resample(soxr.resample(audio, RATE_HZ, earlier_hz), earlier_hz, RATE_HZ)
    found = cutoff(rounded(through, 24))
    assert found.found
    assert found.rate_hz == earlier_hz
    assert 0.9 * earlier_hz / 2 < found.freq_hz < earlier_hz / 2


@pytest.mark.parametrize("earlier_hz", [16000, 32000])
def test_the_noise_of_sixteen_bit_does_not_hide_it(earlier_hz):
    through = soxr.resample(soxr.resample(healthy.drums(), RATE_HZ, earlier_hz), earlier_hz, RATE_HZ)
    assert cutoff(rounded(0.5 * through, 16)).rate_hz == earlier_hz


def test_where_a_coder_cuts_off_there_is_no_such_rate():
    through = signal.sosfilt(
        signal.ellip(12, 0.1, 80, 18500, fs=RATE_HZ, output="sos"), healthy.drums(), axis=0
    )
    found = cutoff(through)
    assert found.found
    assert found.freq_hz == pytest.approx(18600, abs=300)
    assert found.rate_hz is None


@pytest.mark.parametrize("order", [1, 2, 4, 8])
@pytest.mark.parametrize("freq_hz", [800, 3000, 6000, 12000])
@pytest.mark.parametrize("floor", [1e-4, 1e-7])
def test_a_filter_that_shapes_the_sound_is_no_cut_off(order, freq_hz, floor):
    audio = 0.2 * healthy.filtered(healthy.noise(1), order, freq_hz) + floor * healthy.noise(2)
    found = cutoff(audio)
    assert not found.found
    assert found.drop_db < 20


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
def test_the_filter_of_the_rates_own_converter_is_none(rate_hz):
    noise = 0.1 * np.random.default_rng(1).standard_normal((8 * 2 * rate_hz, 1))
    assert not cutoff(soxr.resample(noise, 2 * rate_hz, rate_hz), rate_hz).found


def test_tones_that_end_are_no_spectrum_that_ends():
    tones = sum(np.sin(2 * np.pi * 440 * k * healthy.times() + k * k) for k in range(1, 16))
    assert not cutoff(0.01 * tones[:, None] + 1e-6 * healthy.noise(3, 1)).found


def test_a_bass_whose_partials_end_below_what_is_sought_is_dark():
    """A plucked string by sixty partials, the highest at 2.9 kHz, over next to no noise."""
    bass = sum(healthy.notes([49.0 * k], 0.75, 0.5 / k**0.5) / k**1.5 for k in range(1, 60))
    for floor in (1e-5, 1e-8):
        assert not cutoff(0.2 * bass[:, None] + floor * healthy.noise(3, 1)).found


@pytest.mark.parametrize(("end_hz", "is_told"), [(2600, False), (3400, True)])
def test_only_ends_from_three_kilohertz_on_are_told(end_hz, is_told):
    """What ends lower may be dark by itself, as a bass is.

    An end may be told half the gap and a fifth of what is looked at beside it away: 200 and 140 Hz.
    """
    steep = signal.firwin(2001, end_hz, fs=RATE_HZ)
    ended = signal.fftconvolve(0.1 * healthy.noise(5, 1), steep[:, None], mode="same", axes=0)
    found = cutoff(ended + 1e-4 * healthy.noise(6, 1))
    assert found.freq_hz == pytest.approx(end_hz, abs=340)
    assert found.drop_db > 40
    assert found.found is is_told
    assert (found.confidence >= 0.5) is is_told


def test_bands_with_gaps_between_them_are_no_spectrum_that_ends():
    gaps = signal.firwin(4001, [1400, 2800, 3200, 6000, 6600, 12500, 13300], fs=RATE_HZ)
    found = cutoff(signal.fftconvolve(0.1 * healthy.noise(5, 1), gaps[:, None], axes=0))
    assert not found.found


def test_a_gap_below_more_sound_is_no_end():
    low, high = (
        healthy.filtered(healthy.noise(4, 1), 8, band, "bandpass") for band in ([100, 6000], [9000, 14000])
    )
    gap = signal.firwin(2001, [6000, 9000], fs=RATE_HZ)
    assert not cutoff(signal.fftconvolve(0.1 * (low + high), gap[:, None], axes=0)).found
