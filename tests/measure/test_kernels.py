"""The measuring kernels, compiled, against the same code run as plain Python."""

import numpy as np
import pytest

from busproc.kernels import loudness, spectrum, stereo, true_peak
from tests.published.loudness_signals import programme


@pytest.fixture
def audio():
    return programme(8000, 0.1, seed=1).reshape(-1)


def test_weigh_into_cells(audio):
    zeros, poles = np.array([1.5, -5.6, 8.0, -5.0, 1.2]), np.array([-1.7, 0.73, -1.98, 0.981])
    runs = []
    for run in (loudness.weigh_into_cells, loudness.weigh_into_cells.py_func):
        past, state, cells = np.zeros(8), np.zeros(9), np.zeros(12)
        count = run(audio, zeros, poles, past, state, 0, 0, 8000, cells)
        runs.append((count, *past, *state, *cells))
    assert runs[0] == runs[1]
    assert runs[0][0] == 10


def test_interpolated_peak(audio):
    taps = np.array([[0.6, -0.1, 0.05, -0.05], [0.55, -0.05, 0.0, 0.0]])
    runs = []
    for run in (true_peak.interpolated_peak, true_peak.interpolated_peak.py_func):
        history = np.zeros(20)
        peak = run(audio, history, taps, np.array([4, 2]), np.array([2.0, 1.5]), 0.01)
        runs.append((peak, *history))
    assert runs[0] == runs[1]
    assert runs[0][0] >= np.abs(audio).max()


def test_tally(audio):
    compiled, plain = np.zeros(4), np.zeros(4)
    stereo.tally(audio, compiled)
    stereo.tally.py_func(audio, plain)
    np.testing.assert_array_equal(compiled, plain)
    assert compiled.all()


def test_window_and_power():
    ramp = spectrum.quarter_sine(50)
    np.testing.assert_array_equal(ramp, spectrum.quarter_sine.py_func(50))
    np.testing.assert_allclose(ramp**2 + ramp[::-1] ** 2, 1.0, rtol=1e-15)
    block = programme(8000, 0.025, seed=2)
    compiled, plain = np.empty((2, 200)), np.empty((2, 200))
    spectrum.window_channels(block, ramp, compiled)
    spectrum.window_channels.py_func(block, ramp, plain)
    np.testing.assert_array_equal(compiled, plain)
    bins = np.fft.rfft(compiled)
    power, by_hand = np.ones((2, 101)), np.ones((2, 101))
    spectrum.add_power(bins, power)
    spectrum.add_power.py_func(bins, by_hand)
    np.testing.assert_array_equal(power, by_hand)
