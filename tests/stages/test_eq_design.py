"""The analog design: gain against the analog filter itself, worked out here from its transfer function.

Bounds are measured on thousands of random settings and rounded up; the worst found are given beside them.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busproc.errors import InputError
from busproc.kernels import biquad
from busproc.stages import analog, filters
from tests import oracles
from tests.stages.probe import db

TOP = 0.9  # of half the rate
BAND_DB = 0.05  # 0.036 was the worst of 30000 bells and shelves up to 12 dB and Q 0.3 .. 8 at 44.1 kHz
WIDE_BELL_DB = 0.05  # 0.037, bells up to 24 dB and Q 0.1 .. 20
WIDE_SHELF_DB = 0.1  # 0.077, shelves likewise; only above Q 8 more than 0.05
PASS_DB = 0.15  # 0.139, low-pass at 96 dB/octave near the top, down to -60 dB
HIGH_PASS_DB = 0.03  # 0.026
NOTCH_DB = 0.05  # 0.043
TILT_DB = 0.02  # 0.011
LOW_DB = 0.005  # 10 Hz: 0.004 at 44.1 kHz, 0.0012 at 192 kHz

SHAPES = ("bell", "low_shelf", "high_shelf")
EXTREME = [(size, q) for size in (-12.0, 0.5, 12.0) for q in (0.3, 0.7071, 2.0, 8.0)]


def frequencies(freq_hz, q, rate_hz, lowest_hz=10.0):
    """All octaves, the top evenly, and closely around the band itself."""
    top_hz = TOP * rate_hz / 2
    around = freq_hz * (1 + np.linspace(-3, 3, 61) / q)
    points = np.concatenate([np.geomspace(lowest_hz, top_hz, 150), np.linspace(1000, top_hz, 80), around])
    return points[(points >= lowest_hz) & (points <= top_hz)]


def gain_db(rows, freq_hz, rate_hz):
    """Gain of sections in extended precision, so that poles next to 1 lose nothing."""
    z = np.exp(-2j * np.pi * np.asarray(freq_hz, dtype=np.longdouble) / rate_hz)
    product = np.ones_like(z)
    for b0, b1, b2, a1, a2 in rows:
        product *= (b0 + z * (b1 + z * b2)) / (1 + z * (a1 + z * a2))
    return db(product.astype(complex))


def error_db(shape, freq_hz, size_db, q, rate_hz):
    rows = getattr(analog, shape)(freq_hz, size_db, q, rate_hz)
    points = frequencies(freq_hz, q, rate_hz)
    wanted = db(oracles.analog_shape(shape, size_db, q, 1j * points / freq_hz))
    return np.abs(gain_db(rows, points, rate_hz) - wanted).max()


@pytest.mark.parametrize("rate_hz", [44100, 48000])
@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize(
    "freq_hz", [20.0, 90.0, 400.0, 1500.0, 4000.0, 8000.0, 12000.0, 16000.0, 18500.0, 20000.0]
)
def test_a_band_is_the_analog_filter_up_to_the_top(shape, freq_hz, rate_hz):
    worst = max((error_db(shape, freq_hz, size, q, rate_hz), size, q) for size, q in EXTREME)
    assert worst[0] <= BAND_DB, worst


@settings(max_examples=150)
@given(
    shape=st.sampled_from(SHAPES),
    octaves=st.floats(0, 9.96),
    size_db=st.floats(-12, 12),
    q=st.floats(0.3, 8),
    rate_hz=st.sampled_from([44100, 48000, 88200, 96000, 192000]),
)
def test_any_band_is_the_analog_filter_up_to_the_top(shape, octaves, size_db, q, rate_hz):
    assert error_db(shape, 20 * 2**octaves, size_db, q, rate_hz) <= BAND_DB


@settings(max_examples=100)
@given(
    shape=st.sampled_from(SHAPES),
    octaves=st.floats(0, 9.96),
    size_db=st.floats(-24, 24),
    q=st.one_of(st.floats(0.1, 0.3), st.floats(8, 20), st.floats(0.3, 8)),
)
def test_the_widest_settings_come_near(shape, octaves, size_db, q):
    bound = WIDE_BELL_DB if shape == "bell" else WIDE_SHELF_DB
    assert error_db(shape, 20 * 2**octaves, size_db, q, 44100) <= bound


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("size_db", [-24.0, 6.0, 24.0])
@pytest.mark.parametrize("q", [0.1, 0.7071, 20.0])
@pytest.mark.parametrize("rate_hz", [44100, 192000])
def test_10_hz_is_as_true_as_any_other_frequency(shape, size_db, q, rate_hz):
    rows = getattr(analog, shape)(10.0, size_db, q, rate_hz)
    points = frequencies(10.0, q, rate_hz, lowest_hz=1.0)
    points = points[points < 2000]
    wanted = db(oracles.analog_shape(shape, size_db, q, 1j * points / 10.0))
    np.testing.assert_allclose(gain_db(rows, points, rate_hz), wanted, rtol=0, atol=LOW_DB)


def test_10_hz_at_192_khz_settles_on_its_gain_in_the_kernel():
    """The steady state of a step through a low shelf, whose pole lies 0.0003 from 1."""
    rows = filters.sections(analog.low_shelf(10.0, 12.0, 0.7071, 192000))
    settled = biquad.run_sections(rows, np.zeros((len(rows), 2, 1)), np.ones((192000, 1)))[-1, 0]
    assert db(settled) == pytest.approx(12.0, abs=LOW_DB)


@settings(max_examples=200)
@given(
    shape=st.sampled_from(SHAPES),
    octaves=st.floats(-1, 9.99),
    size_db=st.floats(-24, 24),
    q=st.floats(0.1, 20),
    rate_hz=st.sampled_from([44100, 96000, 192000]),
)
def test_poles_and_zeros_lie_inside_the_unit_circle_in_two_sections_at_most(
    shape, octaves, size_db, q, rate_hz
):
    rows = getattr(analog, shape)(20 * 2**octaves, size_db, q, rate_hz)
    assert len(rows) <= 2
    for b0, b1, b2, a1, a2 in rows:
        assert np.abs(np.roots([1, a1, a2])).max() < 1
        assert np.abs(np.roots([b0, b1, b2])).max() < 1


@settings(max_examples=60)
@given(
    shape=st.sampled_from(SHAPES), octaves=st.floats(0, 9.96), size_db=st.floats(0, 24), q=st.floats(0.1, 20)
)
def test_a_cut_is_the_inverse_of_the_boost(shape, octaves, size_db, q):
    there, back = (getattr(analog, shape)(20 * 2**octaves, sign * size_db, q, 44100) for sign in (1, -1))
    points = np.geomspace(10, 22000, 60)
    np.testing.assert_allclose(gain_db([*there, *back], points, 44100), 0, atol=1e-8)


@pytest.mark.parametrize("slope", [6, 12, 18, 24, 36, 48, 72, 96])
@pytest.mark.parametrize("freq_hz", [20.0, 300.0, 3000.0, 8000.0, 14000.0, 17000.0, 20000.0])
def test_a_pass_is_the_analog_butterworth_filter_up_to_the_top(slope, freq_hz):
    points = frequencies(freq_hz, 1, 44100)
    for shape, sign, bound in (("high_pass", -1, HIGH_PASS_DB), ("low_pass", 1, PASS_DB)):
        wanted = -10 * np.log10(1 + (points / freq_hz) ** (sign * slope / 3))
        found = gain_db(getattr(analog, shape)(freq_hz, slope, 44100), points, 44100)
        assert np.abs(found - wanted)[wanted > -60].max() <= bound


@pytest.mark.parametrize("freq_hz", [50.0, 3000.0, 12000.0, 20000.0])
@pytest.mark.parametrize("q", [0.1, 0.5, 3.0, 20.0])
def test_a_notch_is_the_analog_one_up_to_the_top(freq_hz, q):
    points = frequencies(freq_hz, q, 44100)
    s = 1j * points / freq_hz
    wanted = db((s**2 + 1) / (s**2 + s / q + 1))
    found = gain_db(analog.notch(freq_hz, q, 44100), points, 44100)
    assert np.abs(found - wanted)[wanted > -60].max() <= NOTCH_DB


@pytest.mark.parametrize("freq_hz", [30.0, 1000.0, 9000.0, 20000.0])
@pytest.mark.parametrize("size_db", [-24.0, -3.0, 6.0, 18.0])
def test_a_tilt_is_the_analog_one_up_to_the_top(freq_hz, size_db):
    points, a = frequencies(freq_hz, 1, 44100), 10 ** (size_db / 20)
    s = 1j * points / freq_hz
    found = gain_db(analog.tilt(freq_hz, size_db, 44100), points, 44100)
    np.testing.assert_allclose(found, db((a * s + 1) / (s + a)), rtol=0, atol=TILT_DB)


def test_the_plain_formula_is_kept_where_it_is_as_good():
    """And only there: two sections cost twice as much."""
    (row,) = analog.bell(60.0, 3.0, 0.7071, 48000)
    np.testing.assert_allclose(row, filters.bell(60.0, 3.0, 0.7071, 48000), rtol=1e-13)
    assert len(analog.bell(6000.0, 3.0, 0.7071, 48000)) == 2


def test_the_plain_formula_fails_where_the_analog_design_holds():
    """So the bounds above are not met by chance: the cookbook's bell at 12 kHz is 2 dB too narrow."""
    points = frequencies(12000.0, 1, 44100)
    wanted = db(oracles.analog_shape("bell", 6.0, 1.0, 1j * points / 12000))
    off = np.abs(gain_db([filters.bell(12000.0, 6.0, 1.0, 44100)], points, 44100) - wanted).max()
    assert off > 2


@pytest.mark.parametrize("design", [analog.bell, analog.high_shelf, analog.low_shelf])
def test_a_frequency_that_the_rate_cannot_carry_is_refused(design):
    with pytest.raises(InputError, match=r"22010 Hz cannot run at 44100 Hz: .* under 22006 Hz"):
        design(22010.0, 3.0, 1.0, 44100)
