"""Audio EQ Cookbook, W3C Working Group Note, 8 June 2021: gains and coefficients of its filters.

The note gives formulas and no numbers. Those below were computed once at 48 kHz from the formulas, typed in
from memory and compared with an independent coding of the same filters. Held to half their last digit.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import optimize, signal

from busproc.stages import filters

RATE_HZ = 48000
BUTTERWORTH_Q = math.sqrt(0.5)


def q_of_bandwidth(octaves, freq_hz):
    """1/Q = 2 sinh((ln 2)/2 BW w0/sin w0)."""
    turn = 2 * math.pi * freq_hz / RATE_HZ
    return 1 / (2 * math.sinh(math.log(2) / 2 * octaves * turn / math.sin(turn)))


def q_of_steepness(steepness, gain_db):
    """1/Q = sqrt((A + 1/A)(1/S - 1) + 2)."""
    a = 10 ** (gain_db / 40)
    return 1 / math.sqrt((a + 1 / a) * (1 / steepness - 1) + 2)


FILTERS = {
    "peak 1 kHz +6 Q 1": filters.bell(1000, 6, 1, RATE_HZ),
    "peak 1 kHz -6 Q 1": filters.bell(1000, -6, 1, RATE_HZ),
    "peak 1 kHz +6 BW 1 oct": filters.bell(1000, 6, q_of_bandwidth(1, 1000), RATE_HZ),
    "peak 100 Hz +3 Q 0.7": filters.bell(100, 3, 0.7, RATE_HZ),
    "peak 3 kHz -4 Q 4": filters.bell(3000, -4, 4, RATE_HZ),
    "peak 10 kHz +6 Q 1": filters.bell(10000, 6, 1, RATE_HZ),
    "low shelf 100 Hz +6 S 1": filters.low_shelf(100, 6, q_of_steepness(1, 6), RATE_HZ),
    "low shelf 200 Hz +3 S 0.5": filters.low_shelf(200, 3, q_of_steepness(0.5, 3), RATE_HZ),
    "high shelf 8 kHz +4 S 1": filters.high_shelf(8000, 4, q_of_steepness(1, 4), RATE_HZ),
    "high shelf 12 kHz -3 Q 0.7071": filters.high_shelf(12000, -3, BUTTERWORTH_Q, RATE_HZ),
    "low-pass 1 kHz Q 0.7071": filters.low_pass(1000, 12, RATE_HZ)[0],
    "high-pass 80 Hz Q 0.7071": filters.high_pass(80, 12, RATE_HZ)[0],
    "high-pass 30 Hz Q 0.7071": filters.high_pass(30, 12, RATE_HZ)[0],
    "notch 60 Hz Q 10": filters.notch(60, 10, RATE_HZ),
    "all-pass 1 kHz Q 0.7071": filters.all_pass(1000, BUTTERWORTH_Q, RATE_HZ),
}

# name: f0 in Hz, gain in dB at 0 Hz, f0/2, f0, 2 f0, Nyquist
NOTHING = -math.inf
GAINS_DB = {
    "peak 1 kHz +6 Q 1": (1000, 0, 1.8794, 6.0, 1.8660, 0),
    "peak 1 kHz -6 Q 1": (1000, 0, -1.8794, -6.0, -1.8660, 0),
    "peak 1 kHz +6 BW 1 oct": (1000, 0, 1.1374, 6.0, 1.1277, 0),
    "peak 100 Hz +3 Q 0.7": (100, 0, 1.4276, 3.0, 1.4275, 0),
    "peak 3 kHz -4 Q 4": (3000, 0, -0.1082, -4.0, -0.0982, 0),
    "peak 10 kHz +6 Q 1": (10000, 0, 1.4379, 6.0, 0.2829, 0),
    "low shelf 100 Hz +6 S 1": (100, 6.0, 5.6236, 3.0, 0.3764, 0),
    "low shelf 200 Hz +3 S 0.5": (200, 3.0, 2.3943, 1.5, 0.6055, 0),
    "high shelf 8 kHz +4 S 1": (8000, 0, 0.1828, 2.0, 3.9495, 4.0),
    "high shelf 12 kHz -3 Q 0.7071": (12000, 0, -0.0874, -1.5, -3.0, -3.0),
    "low-pass 1 kHz Q 0.7071": (1000, 0, -0.2622, -3.0103, -12.3749, NOTHING),
    "high-pass 80 Hz Q 0.7071": (80, NOTHING, -12.3046, -3.0103, -0.2633, 0),
    "high-pass 30 Hz Q 0.7071": (30, NOTHING, -12.3045, -3.0103, -0.2633, 0),
    "notch 60 Hz Q 10": (60, 0, -0.0193, NOTHING, -0.0193, 0),
    "all-pass 1 kHz Q 0.7071": (1000, 0, 0, 0, 0, 0),
}

# name: frequencies in Hz where a bell has half its gain in dB
EDGES_HZ = {
    "peak 1 kHz +6 Q 1": (618.580, 1614.314),
    "peak 1 kHz -6 Q 1": (618.580, 1614.314),
    "peak 1 kHz +6 BW 1 oct": (706.911, 1413.594),
    "peak 100 Hz +3 Q 0.7": (51.462, 194.311),
    "peak 3 kHz -4 Q 4": (2655.838, 3386.153),
    "peak 10 kHz +6 Q 1": (6765.842, 13640.193),
}

# name: b0, b1, b2, a1, a2 with a0 = 1
COEFFICIENTS = {
    "peak 1 kHz +6 Q 1": (1.043953086990, -1.895320723937, 0.867722284760, -1.895320723937, 0.911675371750),
    "peak 1 kHz +6 BW 1 oct": (
        1.031577524036,
        -1.919976913795,
        0.904966794863,
        -1.919976913795,
        0.936544318898,
    ),
    "low shelf 100 Hz +6 S 1": (
        1.003217895737,
        -1.984364430777,
        0.981386698749,
        -1.984424329139,
        0.984544696124,
    ),
    "high shelf 8 kHz +4 S 1": (
        1.351962064637,
        -0.997746667060,
        0.364421310953,
        -0.496931787877,
        0.215568496408,
    ),
    "low-pass 1 kHz Q 0.7071": (
        0.003916126661,
        0.007832253321,
        0.003916126661,
        -1.815341082705,
        0.831005589347,
    ),
    "high-pass 80 Hz Q 0.7071": (
        0.992622542756,
        -1.985245085512,
        0.992622542756,
        -1.985190657896,
        0.985299513128,
    ),
}

# shelf Q from S at +6 dB
STEEPNESS = {0.25: 0.345827, 0.5: 0.492636, 0.75: 0.607813, 1.0: 0.707107}


def response(section, freq_hz):
    b0, b1, b2, a1, a2 = section
    return signal.freqz((b0, b1, b2), (1, a1, a2), worN=np.atleast_1d(freq_hz), fs=RATE_HZ)[1]


def gain_db(section, freq_hz):
    return 20 * np.log10(np.maximum(np.abs(response(section, freq_hz)), 1e-12))


@pytest.mark.parametrize("name", GAINS_DB)
def test_gains(name):
    centre_hz, *wanted = GAINS_DB[name]
    points = [0, centre_hz / 2, centre_hz, min(2 * centre_hz, RATE_HZ / 2), RATE_HZ / 2]
    for found, value in zip(gain_db(FILTERS[name], points), wanted, strict=True):
        if value == NOTHING:
            assert found < -200
        else:
            assert found == pytest.approx(value, abs=0.00005)


@pytest.mark.parametrize("name", EDGES_HZ)
def test_edges_of_half_gain(name):
    centre_hz, half_db = GAINS_DB[name][0], GAINS_DB[name][3] / 2
    spans = ((1, centre_hz), (centre_hz, 0.499 * RATE_HZ))
    for span, wanted in zip(spans, EDGES_HZ[name], strict=True):
        found = optimize.brentq(lambda f: gain_db(FILTERS[name], f)[0] - half_db, *span, xtol=1e-7)
        assert found == pytest.approx(wanted, abs=0.0005)


def test_edges_of_the_notch():
    """Frequencies in Hz where it is 10 lg 2 down."""
    for span, wanted in (((1, 59.99), 57.075), ((60.01, 1000), 63.075)):
        found = optimize.brentq(
            lambda f: gain_db(FILTERS["notch 60 Hz Q 10"], f)[0] + 10 * math.log10(2), *span, xtol=1e-7
        )
        assert found == pytest.approx(wanted, abs=0.0005)


@pytest.mark.parametrize("name", COEFFICIENTS)
def test_coefficients(name):
    np.testing.assert_allclose(FILTERS[name], COEFFICIENTS[name], rtol=0, atol=0.5e-12)


def test_phase_of_the_all_pass():
    """Degrees at 500 Hz, 1 kHz and 2 kHz."""
    turned = np.degrees(np.unwrap(np.angle(response(FILTERS["all-pass 1 kHz Q 0.7071"], [500, 1000, 2000]))))
    np.testing.assert_allclose(turned % -360, [-86.526, -180, -273.782], rtol=0, atol=0.0005)


@pytest.mark.parametrize("steepness", STEEPNESS)
def test_q_of_a_shelf_by_its_steepness(steepness):
    assert q_of_steepness(steepness, 6) == pytest.approx(STEEPNESS[steepness], abs=0.5e-6)


@pytest.mark.parametrize("design", [filters.bell, filters.low_shelf, filters.high_shelf])
@pytest.mark.parametrize(("size_db", "q"), [(3, 0.5), (12, 0.7071), (24, 4)])
def test_boost_and_cut_of_the_same_size_multiply_to_1(design, size_db, q):
    boost, cut = (
        response(design(2000, sign * size_db, q, RATE_HZ), np.arange(20, 24000, 333)) for sign in (1, -1)
    )
    np.testing.assert_allclose(boost * cut, 1, rtol=1e-9)
