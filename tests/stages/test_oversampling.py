"""The half-band filters that saturator and limiter share: flat where it sounds, deep where it folds."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from busproc.kernels import oversample
from tests.stages.probe import db, noise

FACTORS = (2, 4, 8, 16, 32)
FLAT_DB = 1e-5
IMAGES_DB = -138  # measured: -140.05 dB at worst
TOP_HZ = 20000


def up(factor, x):
    return oversample.up(factor, oversample.start_up(factor, x.shape[1]), x)


def down(factor, x):
    return oversample.down(factor, oversample.start_down(factor, x.shape[1]), x)


def impulse(frames, at=0):
    x = np.zeros((frames, 1))
    x[at] = 1
    return x


@pytest.mark.parametrize("factor", FACTORS)
@pytest.mark.parametrize("rate_hz", [44100, 48000])
def test_the_band_to_20_khz_passes_flat_and_its_images_do_not(factor, rate_hz):
    freq_hz, response = signal.freqz(up(factor, impulse(300))[:, 0], worN=1 << 14, fs=rate_hz * factor)
    level = db(response / factor)
    assert np.abs(level[freq_hz <= TOP_HZ]).max() < FLAT_DB
    assert level[freq_hz >= rate_hz - TOP_HZ].max() < IMAGES_DB


@pytest.mark.parametrize("factor", FACTORS)
@pytest.mark.parametrize("rate_hz", [44100, 48000])
def test_what_lies_above_does_not_fold_back_on_the_way_down(factor, rate_hz):
    """Each phase of the fine rate is fed its impulse, so the filter is seen before frames are dropped."""
    phases = [down(factor, impulse(300 * factor, at))[:, 0] for at in range(factor)]
    whole = np.zeros(300 * factor)
    for at, phase in enumerate(phases):
        whole[(-at) % factor :: factor] += phase if at == 0 else np.append(phase[1:], 0)
    freq_hz, response = signal.freqz(whole, worN=1 << 14, fs=rate_hz * factor)
    level = db(response)
    assert np.abs(level[freq_hz <= TOP_HZ]).max() < FLAT_DB
    assert level[freq_hz >= rate_hz - TOP_HZ].max() < IMAGES_DB


@pytest.mark.parametrize("factor", FACTORS)
def test_the_frames_that_were_there_pass_untouched_and_the_latency_is_whole(factor):
    x = noise(500)
    late = oversample.up_latency_frames(factor)
    np.testing.assert_array_equal(up(factor, x)[late * factor :: factor], x[: len(x) - late])
    assert oversample.latency_frames(factor) == 2 * late


@pytest.mark.parametrize("factor", FACTORS)
def test_up_and_down_again_returns_what_was_in_band(factor):
    time = np.arange(2000)
    x = np.column_stack([np.sin(0.3 * time), np.cos(2.2 * time + 1)])  # 2.2 rad a frame is 16.8 kHz of 48
    late = oversample.latency_frames(factor)
    returned = down(factor, up(factor, x))[late:]
    np.testing.assert_allclose(returned[200:-200], x[200 : len(returned) - 200], atol=1e-6)


def test_a_constant_passes_at_its_level():
    ones = np.ones((400, 2))
    np.testing.assert_allclose(up(8, ones)[8 * 150 :], 1, rtol=1e-15 * 8)
    np.testing.assert_allclose(down(8, np.ones((3200, 2)))[150:], 1, rtol=1e-15 * 8)
