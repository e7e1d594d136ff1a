"""Butterworth and Linkwitz-Riley filters.

Sources: S. Butterworth, 'On the Theory of Filter Amplifiers', 1930 (|H|^2 = 1/(1 + w^2n)); S. Linkwitz,
'Active Crossover Networks for Noncoincident Drivers', JAES 24(1), 1976. The facts are textbook; the numbers
were computed once with an independent filter library and are held to half their last digit.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal

from busproc.stages import filters

RATE_HZ = 48000

# order: section Qs
SECTION_QS = {
    2: (0.707107,),
    3: (1.0,),
    4: (0.541196, 1.306563),
    5: (0.618034, 1.618034),
    6: (0.517638, 0.707107, 1.931852),
    7: (0.554958, 0.801938, 2.246980),
    8: (0.509796, 0.601345, 0.899976, 2.562915),
}

# order: normalised polynomial, descending powers
POLYNOMIALS = {
    1: (1, 1),
    2: (1, 1.414214, 1),
    3: (1, 2, 2, 1),
    4: (1, 2.613126, 3.414214, 2.613126, 1),
    5: (1, 3.236068, 5.236068, 5.236068, 3.236068, 1),
    6: (1, 3.863703, 7.464102, 9.141620, 7.464102, 3.863703, 1),
    7: (1, 4.493959, 10.097835, 14.591794, 14.591794, 10.097835, 4.493959, 1),
    8: (1, 5.125831, 13.137071, 21.846151, 25.688356, 21.846151, 13.137071, 5.125831, 1),
}

# order: attenuation in dB one octave beyond the corner
OCTAVE_BEYOND_DB = {1: 6.9897, 2: 12.3045, 3: 18.1291, 4: 24.0993, 6: 36.1247, 8: 48.1649}
CORNER_DB = -3.0103
LINKWITZ_RILEY_CORNER_DB = -6.0206
LINKWITZ_RILEY_4_OCTAVE_BEYOND_DB = -24.609


def response(rows, freq_hz):
    sos = [(b0, b1, b2, 1, a1, a2) for b0, b1, b2, a1, a2 in rows]
    return signal.sosfreqz(sos, worN=np.atleast_1d(freq_hz), fs=RATE_HZ)[1]


def db(value):
    return 20 * math.log10(abs(value))


def warped_hz(corner_hz, octaves):
    """Where the bilinear transform puts a frequency so many octaves from the corner."""
    return math.atan(2**octaves * math.tan(math.pi * corner_hz / RATE_HZ)) * RATE_HZ / math.pi


@pytest.mark.parametrize("order", SECTION_QS)
def test_section_qs(order):
    found = sorted(q for q in filters.butterworth_qs(order) if q is not None)
    np.testing.assert_allclose(found, SECTION_QS[order], rtol=0, atol=0.5e-6)


@pytest.mark.parametrize("order", POLYNOMIALS)
def test_the_sections_multiply_to_the_normalised_polynomial(order):
    product = np.ones(1)
    for q in filters.butterworth_qs(order):
        product = np.polymul(product, (1, 1) if q is None else (1, 1 / q, 1))
    np.testing.assert_allclose(product, POLYNOMIALS[order], rtol=0, atol=0.5e-6)


@pytest.mark.parametrize("order", POLYNOMIALS)
@pytest.mark.parametrize("corner_hz", [30, 1000, 12000])
def test_every_order_is_3_db_down_at_the_corner(order, corner_hz):
    for design in (filters.low_pass, filters.high_pass):
        (at_corner,) = response(design(corner_hz, 6 * order, RATE_HZ), corner_hz)
        assert db(at_corner) == pytest.approx(CORNER_DB, abs=0.00005)


@pytest.mark.parametrize("order", OCTAVE_BEYOND_DB)
def test_attenuation_one_octave_beyond(order):
    for design, octaves in ((filters.low_pass, 1), (filters.high_pass, -1)):
        (beyond,) = response(design(1000, 6 * order, RATE_HZ), warped_hz(1000, octaves))
        assert db(beyond) == pytest.approx(-OCTAVE_BEYOND_DB[order], abs=0.00005)


def crossover(corner_hz, freq_hz):
    """Low and high leg of a fourth-order Linkwitz-Riley crossover: second-order Butterworth twice."""
    return (
        response(2 * design(corner_hz, 12, RATE_HZ), freq_hz)
        for design in (filters.low_pass, filters.high_pass)
    )


@pytest.mark.parametrize("corner_hz", [120, 1000, 2500])
def test_the_legs_of_a_linkwitz_riley_crossover_are_6_db_down_where_they_meet(corner_hz):
    for leg in crossover(corner_hz, corner_hz):
        assert db(leg[0]) == pytest.approx(LINKWITZ_RILEY_CORNER_DB, abs=0.00005)


@pytest.mark.parametrize("corner_hz", [120, 1000, 2500])
def test_the_legs_add_up_to_the_second_order_all_pass_and_are_in_phase(corner_hz):
    freq_hz = np.geomspace(20, 20000, 60)
    low, high = crossover(corner_hz, freq_hz)
    all_pass = response([filters.all_pass(corner_hz, math.sqrt(0.5), RATE_HZ)], freq_hz)
    np.testing.assert_allclose(low + high, all_pass, rtol=0, atol=1e-11)
    np.testing.assert_allclose(np.angle(low[low != 0] / all_pass[low != 0]), 0, atol=1e-9)


def test_a_linkwitz_riley_leg_one_octave_beyond():
    low, _ = crossover(1000, warped_hz(1000, 1))
    assert db(low[0]) == pytest.approx(LINKWITZ_RILEY_4_OCTAVE_BEYOND_DB, abs=0.0005)
