"""Inverted channels, and low ends out of phase, by band and time."""

import numpy as np
import pytest

from busproc.measure.faults.sides import Sides
from tests.measure import healthy

RATE_HZ = healthy.RATE_HZ


def sides(audio):
    search = Sides(RATE_HZ)
    for start in range(0, len(audio), 4096):
        search.feed(audio[start : start + 4096])
    return search


def alike(seed, correlation):
    """Noise that falls by 6 dB an octave, with so much in common."""
    common = np.sqrt(correlation) * healthy.noise(seed, 1) + np.sqrt(1 - correlation) * healthy.noise(
        seed + 1
    )
    return 0.1 * healthy.filtered(common, 1, 300)


@pytest.mark.parametrize(
    "name", ["music", "drums", "gated_drums", "few_partials", "organ", "bass_on_the_mains"]
)
def test_an_inverted_channel_is_found(name):
    audio = healthy.SOUNDS[name]()
    assert not sides(audio).inverted().found
    inverted = sides(audio * [1.0, -1.0]).inverted()
    assert inverted.found
    assert inverted.share_of_time > 0.9
    assert inverted.where[0].from_s < 0.5
    assert inverted.where[-1].to_s > 11


@pytest.mark.parametrize("correlation", [0.0, 0.2, 0.6, 0.9])
def test_it_reads_the_correlation(correlation):
    found = sides(alike(1, correlation) * [1.0, -0.3]).inverted()
    assert found.correlation == pytest.approx(-correlation, abs=0.03)
    assert found.found == (correlation >= 0.45)


def test_noise_that_is_inverted_in_one_loud_band_alone_is_not_an_inverted_channel():
    narrow = healthy.filtered(healthy.noise(2, 1), 4, [300, 600], "bandpass")
    assert not sides(alike(3, 0.5) + 0.5 * narrow * [1.0, -1.0]).inverted().found


def low_end(low_hz=0.0, high_hz=0.0):
    """What is said of a bass that is out of phase between two frequencies alone."""
    bins = np.fft.rfft(healthy.filtered(healthy.noise(4, 1), 4, 140), axis=0)
    freqs_hz = np.fft.rfftfreq(len(healthy.times()), 1 / RATE_HZ)[:, None]
    turned = np.where((freqs_hz > low_hz) & (freqs_hz < high_hz), -bins, bins)
    bass = np.fft.irfft(np.hstack([bins, turned]), axis=0)
    return sides(0.3 * bass + 0.002 * healthy.noise(5)).low_end()


def test_a_low_end_in_phase_is_none():
    found = low_end()
    assert not found.found
    assert max(loss for loss in found.mono_loss_db if loss is not None) < 1
    assert [round(freq_hz) for freq_hz in found.freqs_hz] == [25, 32, 40, 50, 63, 79, 100, 126]


@pytest.mark.parametrize("band", [3, 5, 7])
def test_the_band_that_is_out_of_phase_is_told(band):
    middle_hz = 1000 * 10 ** ((band - 16) / 10)
    found = low_end(middle_hz / 1.26, middle_hz * 1.26)
    assert found.found
    assert found.freqs_hz[band] == pytest.approx(middle_hz)
    losses = [-1 if loss is None else loss for loss in found.mono_loss_db]
    assert abs(int(np.argmax(losses)) - band) <= 1
    assert losses[band] > 6


def test_where_it_is_out_of_phase():
    audio = 0.3 * healthy.filtered(healthy.noise(6, 1), 2, 100) * [1.0, 1.0]
    late = healthy.times() > 1.5
    audio[late, 1] *= -1.0
    (passage,) = sides(audio).low_end().where
    assert passage == pytest.approx((1.5, 12.0), abs=0.2)


def test_sides_without_anything_in_common_lose_three_decibels_and_are_healthy():
    found = sides(0.3 * healthy.filtered(healthy.noise(7), 2, 100)).low_end()
    assert not found.found
    assert found.mono_loss_db[5] == pytest.approx(3.0, abs=1.0)


def test_a_short_sound_is_given_the_benefit_of_chance():
    for seed in range(40):
        short = 0.3 * healthy.filtered(healthy.noise(seed, seconds=0.6), 2, 100)
        assert not sides(short).low_end().found, seed


def test_an_inverted_channel_above_a_sound_low_end_is_no_fault_of_the_low_end():
    high = healthy.filtered(healthy.noise(8, 1), 4, 250, "highpass")
    low = healthy.filtered(healthy.noise(9, 1), 4, 150)
    assert not sides(0.1 * high * [1.0, -1.0] + 0.1 * low).low_end().found
