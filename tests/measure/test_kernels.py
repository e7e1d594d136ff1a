"""The measuring kernels, compiled, against the same code run as plain Python."""

import numpy as np

from busproc.kernels import spectrum
from tests.published.loudness_signals import programme


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
