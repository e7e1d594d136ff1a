"""Harmonics against closed forms and numerical integrals."""

import math

import numpy as np
import pytest
from scipy import integrate

from busproc.chain import process
from busproc.errors import InputError
from busproc.measure.harmonics import harmonics
from busproc.measure.meter import measure
from busproc.stages.gain import Gain

RATE_HZ = 48000


def sine(freq_hz, level_dbfs, seconds=2):
    turns = np.arange(seconds * RATE_HZ) * freq_hz % RATE_HZ / RATE_HZ
    return 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * turns)


def through(curve):
    return lambda freq_hz, level_dbfs: curve(sine(freq_hz, level_dbfs))


def fourier_db(curve, amplitude, order):
    """Harmonic `order` against the fundamental, by numerical integration."""

    def coefficient(k):
        def product(t):
            return curve(amplitude * math.sin(t)) * math.sin(k * t)

        return integrate.quad(product, 0, 2 * math.pi, epsabs=1e-12)[0]

    return 20 * math.log10(abs(coefficient(order) / coefficient(1)))


@pytest.mark.parametrize("amplitude", [0.1, 0.25, 0.5, 1.0])
@pytest.mark.parametrize("freq_hz", [100, 997, 5000])
def test_a_cubic_has_a_third_harmonic_only(amplitude, freq_hz):
    # x - x^3/3: fundamental A - A^3/4, third harmonic A^3/12 (algebra)
    found = harmonics(through(lambda x: x - x**3 / 3), RATE_HZ, 20 * math.log10(amplitude), freq_hz)
    first, third = amplitude - amplitude**3 / 4, amplitude**3 / 12
    assert found.fundamental_dbfs == pytest.approx(20 * math.log10(first), abs=1e-9)
    assert found.harmonics_db[1] == pytest.approx(20 * math.log10(third / first), abs=1e-9)
    assert found.thd_db == pytest.approx(found.harmonics_db[1], abs=1e-9)
    others = [level for n, level in enumerate(found.harmonics_db) if n != 1 and level is not None]
    assert max(others, default=-300) < -220


@pytest.mark.parametrize("amplitude", [0.25, 1.0, 2.0])
def test_tanh_agrees_with_its_fourier_coefficients(amplitude):
    found = harmonics(through(np.tanh), RATE_HZ, 20 * math.log10(amplitude))
    for order in (3, 5, 7, 9):
        expected = fourier_db(math.tanh, amplitude, order)
        assert found.harmonics_db[order - 2] == pytest.approx(expected, abs=0.01), order
    for order in (2, 4, 6, 8, 10):
        assert found.harmonics_db[order - 2] is None or found.harmonics_db[order - 2] < -200


def test_total_distortion_of_tanh_at_full_scale():
    # 6.7065 %, all harmonics by numerical integration; those above the tenth add 1e-6 dB
    assert harmonics(through(np.tanh), RATE_HZ, 0.0).thd_db == pytest.approx(
        20 * math.log10(0.067065), abs=1e-3
    )


def test_bias_makes_even_harmonics():
    # (x + k x^2): second harmonic k A / 2 of the fundamental (algebra)
    found = harmonics(through(lambda x: x + 0.1 * x**2), RATE_HZ, -6.0)
    assert found.harmonics_db[0] == pytest.approx(20 * math.log10(0.05 * 10 ** (-6 / 20)), abs=1e-9)


def test_harmonics_above_nyquist_are_left_out():
    found = harmonics(through(lambda x: x + 0.1 * x**2 + 0.1 * x**3), RATE_HZ, 0.0, 9001)
    assert found.harmonics_db[0] is not None
    assert found.harmonics_db[1:] == (None,) * 8


def test_both_channels_count():
    found = harmonics(lambda *tone: np.column_stack([sine(*tone), 0 * sine(*tone)]), RATE_HZ, -6.0)
    assert found.fundamental_dbfs == pytest.approx(-6.0 - 10 * math.log10(2), abs=1e-9)


def test_a_stage_that_bends_nothing_adds_nothing():
    def louder(*tone):
        return process(Gain(gain_db=3.0), np.repeat(sine(*tone)[:, None], 2, axis=1), RATE_HZ)

    found = harmonics(louder, RATE_HZ, -20.0)
    assert found.fundamental_dbfs == pytest.approx(-17.0, abs=1e-9)
    assert found.thd_db is None or found.thd_db < -220


def test_only_the_last_second_counts():
    def settling(*tone):
        return np.concatenate([np.sign(sine(*tone)), sine(*tone)])

    found = harmonics(settling, RATE_HZ, -6.0)
    assert found.fundamental_dbfs == pytest.approx(-6.0, abs=1e-9)
    assert found.thd_db is None or found.thd_db < -220


def test_silence_has_no_harmonics():
    found = harmonics(lambda *_: np.zeros(RATE_HZ), RATE_HZ, -6.0)
    assert (found.fundamental_dbfs, found.thd_db) == (None, None)


def test_a_sine_of_997_hz_has_its_peak_as_loudness():
    tone = np.repeat(sine(997, -20.0, 5)[:, None], 2, axis=1)
    assert measure(tone, RATE_HZ).integrated_lufs == pytest.approx(-20.0, abs=0.01)


def test_bad_calls_say_what_is_wrong():
    with pytest.raises(InputError, match="does not fit a rate"):
        harmonics(sine, RATE_HZ, 0.0, 24000)
    with pytest.raises(InputError, match="48000 frames, and 100 came back"):
        harmonics(lambda *_: np.zeros(100), RATE_HZ, 0.0)
