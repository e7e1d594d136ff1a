"""Decay times and echo density of the reverb, by published measures.

Sources: M. R. Schroeder, 'New Method of Measuring Reverberation Time', JASA 37(3), 1965 (reverse
integration); ISO 3382-1:2009 (T30: a straight line from -5 to -35 dB of the decay curve, in octaves, the mean
of several positions); J. S. Abel and P. Huang, 'A Simple, Robust Measure of Reverberation Echo Density',
AES 121, 2006 (share of samples further out than the standard deviation, in a window of 20 ms, over the
share in Gaussian noise, erfc(1 / sqrt 2)). All from memory.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.lib.stride_tricks import sliding_window_view
from scipy import signal

from busproc.chain import process
from busproc.stages.reverb import Reverb

RATE_HZ = 48000
OUTSIDE = math.erfc(math.sqrt(0.5))
WINDOW = RATE_HZ // 50
HOP = RATE_HZ // 1000
ROOM = {"mix": 1.0, "pre_delay_ms": 0.0}


def response(reverb, seconds, left=1.0, right=0.0):
    impulse = np.zeros((round(seconds * RATE_HZ), 2))
    impulse[0] = left, right
    return process(reverb, impulse, RATE_HZ)


def octave(sound, freq_hz):
    edges = [freq_hz / math.sqrt(2), freq_hz * math.sqrt(2)]
    return signal.sosfilt(signal.butter(4, edges, "band", fs=RATE_HZ, output="sos"), sound, axis=0)


def decay_db(sounds, freq_hz):
    """Decay curve of one octave, the mean of all columns of all sounds, each as loud as the next."""
    squares = np.hstack([octave(sound, freq_hz) ** 2 for sound in sounds])
    curves = np.cumsum(squares[::-1], axis=0)[::-1]
    return 10 * np.log10((curves / curves[0]).mean(axis=1) + 1e-30)


def t30_s(curve_db):
    fall = slice(*(int(np.argmax(curve_db < level)) for level in (-5, -35)))
    return -60 / np.polyfit(np.arange(fall.start, fall.stop) / RATE_HZ, curve_db[fall], 1)[0]


def echo_density(wave):
    """In windows of 20 ms, one each millisecond."""
    weights = np.hanning(WINDOW + 2)[1:-1] / np.hanning(WINDOW + 2).sum()
    windows = sliding_window_view(wave, WINDOW)[::HOP]
    spread = np.sqrt(windows**2 @ weights)
    return (np.abs(windows) > spread[:, None]) @ weights / OUTSIDE


def full_after_ms(wave):
    """Middle of the first window in which the echoes are as dense as in noise."""
    return int(np.argmax(echo_density(wave) >= 1)) * HOP / RATE_HZ * 1000 + 10


def test_the_measure_of_decay_finds_what_was_made():
    time = np.arange(3 * RATE_HZ) / RATE_HZ
    noise = np.random.default_rng(1).normal(size=(len(time), 8))
    assert t30_s(decay_db([noise * 10 ** (-3 * time / 1.2)[:, None]], 1000)) == pytest.approx(1.2, rel=0.02)


def test_the_measure_of_density_is_1_in_noise_and_small_among_single_echoes():
    noise = np.random.default_rng(1).normal(size=RATE_HZ)
    assert echo_density(noise).mean() == pytest.approx(1.0, abs=0.01)
    echoes = np.where(np.arange(RATE_HZ) % 480 == 0, 1.0, 0.0)
    assert echo_density(echoes).max() < 0.05


DECAYS = {
    "as it comes": {},
    "boomy": {"decay_low_s": 4.0, "decay_s": 2.0, "decay_high_s": 1.0},
    "thin": {"decay_low_s": 0.4, "decay_s": 1.0, "decay_high_s": 1.0, "size_ms": 12.0},
    "dull": {"decay_low_s": 2.0, "decay_s": 2.0, "decay_high_s": 0.5},
    "short": {"decay_low_s": 0.3, "decay_s": 0.3, "decay_high_s": 0.2, "size_ms": 8.0},
    "hall": {"decay_low_s": 3.5, "decay_s": 3.0, "decay_high_s": 1.2, "size_ms": 50.0},
    "still": {"decay_low_s": 1.5, "decay_s": 1.2, "decay_high_s": 0.8, "modulation_hz": 0.0},
    "moved": {"decay_low_s": 1.5, "decay_s": 1.2, "decay_high_s": 0.8, "modulation_hz": 4.0},
    "close": {"low_hz": 200.0, "high_hz": 5000.0, "decay_low_s": 1.6, "decay_high_s": 1.0},
    "a factor of three": {"decay_low_s": 3.0, "decay_s": 1.0, "decay_high_s": 0.4},
}


@pytest.mark.parametrize("name", DECAYS)
def test_decay_times_come_out_within_5_percent(name):
    """Means over three rooms of a kind, sound from either side, and both ears: twelve positions."""
    rooms = [Reverb(**ROOM, **DECAYS[name], seed=seed, early_db=-40.0) for seed in (1, 2, 3)]
    first = rooms[0]
    seconds = 1.6 * max(first.decay_s, first.decay_low_s, first.decay_high_s)
    heard = [response(room, seconds, *sides) for room in rooms for sides in ((1.0, 0.0), (0.0, 1.0))]
    asked = {
        first.low_hz: first.decay_low_s,
        math.sqrt(first.low_hz * first.high_hz): first.decay_s,
        first.high_hz: first.decay_high_s,
    }
    for freq_hz, decay_s in asked.items():
        assert t30_s(decay_db(heard, freq_hz)) == pytest.approx(decay_s, rel=0.05), freq_hz


@pytest.mark.parametrize("rate_hz", [44100, 96000])
def test_decay_times_hold_at_other_rates(rate_hz):
    impulse = np.zeros((round(2.5 * rate_hz), 2))
    impulse[0] = 1.0
    rooms = [Reverb(**ROOM, early_db=-40.0, seed=seed) for seed in range(1, 7)]
    sounds = [signal.resample_poly(process(room, impulse, rate_hz), 480, rate_hz // 100) for room in rooms]
    for freq_hz, decay_s in ((125, 1.8), (1000, 1.6), (8000, 0.9)):
        assert t30_s(decay_db(sounds, freq_hz)) == pytest.approx(decay_s, rel=0.05), freq_hz


@pytest.mark.parametrize("size_ms", [5.0, 14.0, 25.0, 50.0, 80.0])
@pytest.mark.parametrize("density", [0.8, 1.0])
def test_echoes_become_as_dense_as_noise_in_the_stated_time_and_stay_so(size_ms, density):
    for seed in (1, 2, 3, 4):
        wave = response(Reverb(**ROOM, size_ms=size_ms, density=density, seed=seed), 1.2)[:, seed % 2]
        after_ms = full_after_ms(wave)
        assert after_ms <= 5 * size_ms + 20
        late = echo_density(wave)[round(after_ms) :]
        assert late.mean() == pytest.approx(1.0, abs=0.05)
        assert np.percentile(late, 5) > 0.85


def test_less_density_lets_single_echoes_be_heard_for_longer():
    sparse, dense = (
        full_after_ms(response(Reverb(**ROOM, density=density), 1.0)[:, 0]) for density in (0.0, 1.0)
    )
    assert sparse > dense + 40
