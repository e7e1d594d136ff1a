"""Harmonics of tanh.

Source: the Fourier series of tanh(A sin t), textbook; its terms follow from the Taylor series of tanh. The
numbers were computed once by numerical integration, and the saturator is held to half their last digit.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from busproc.stages.saturator import Saturator, harmonic_db
from tests import oracles
from tests.stages.probe import streamed

RATE_HZ = 48000
FRAMES = 1 << 14
CYCLES = 171  # 501 Hz: the harmonics that matter lie under 20 kHz, where the filters are flat
FLAT_DB = 0.0001  # what the filters add

# A: gain of the fundamental in dB, third and fifth harmonic in dB against the fundamental
HARMONICS_DB = {
    0.05: (-0.0054, -73.6303, -145.676),
    0.1: (-0.0217, -61.6053, -121.623),
    0.25: (-0.1340, -45.8006, -89.9950),
    0.5: (-0.5163, -34.1494, -66.6273),
    1.0: (-1.8123, -23.5003, -45.0910),
    2.0: (-5.0522, -15.4510, -28.2981),
    4.0: (-10.1860, -11.3147, -18.8256),
}
THD_AT_1_PERCENT = 6.7065


def harmonics(amplitude, orders):
    """Amplitudes that come of a sine that reaches the curve at this amplitude, drive given back."""
    drive_db = max(0.0, 20 * math.log10(amplitude))
    drive = 10 ** (drive_db / 20)
    sine = amplitude / drive * np.sin(2 * np.pi * CYCLES / FRAMES * np.arange(FRAMES + 4000))
    made = streamed(Saturator(drive_db=drive_db), np.column_stack([sine, sine]))[2000 : 2000 + FRAMES, 0]
    return drive * oracles.harmonic_amplitudes(made, CYCLES, orders)


def db(value):
    return 20 * math.log10(value)


@pytest.mark.parametrize("amplitude", HARMONICS_DB)
def test_the_saturator_has_the_harmonics_of_tanh(amplitude):
    gain_db, third_db, fifth_db = HARMONICS_DB[amplitude]
    first, third, fifth = harmonics(amplitude, (1, 3, 5))
    assert db(first / amplitude) == pytest.approx(gain_db, abs=0.00005 + FLAT_DB)
    assert db(third / first) == pytest.approx(third_db, abs=0.00005 + FLAT_DB)
    assert db(fifth / first) == pytest.approx(fifth_db, abs=0.0005 + FLAT_DB)


def test_total_distortion_at_an_amplitude_of_1():
    first, *others = harmonics(1.0, range(1, 30))
    assert 100 * math.hypot(*others) / first == pytest.approx(THD_AT_1_PERCENT, abs=0.00005 + 0.0001)


@pytest.mark.parametrize("amplitude", HARMONICS_DB)
@pytest.mark.parametrize(("order", "column"), [(3, 1), (5, 2)])
def test_the_log_states_the_harmonics_of_tanh(amplitude, order, column):
    digits = 0.0005 if column == 2 else 0.00005
    assert harmonic_db(amplitude, 1.0, 1.0, order) == pytest.approx(
        HARMONICS_DB[amplitude][column], abs=1.1 * digits
    )
