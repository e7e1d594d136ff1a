"""Giannoulis, Massberg, Reiss, 'Digital Dynamic Range Compressor Design', JAES 60(6), June 2012, 399-408.

The paper gives the equations (soft knee from public transcriptions, detectors from memory); the worked
values were computed once from them and are held to half their last digit.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from busproc.stages.compressor import Compressor, keep_of
from tests.stages.probe import db, gain_curve

RATE_HZ = 48000

# input level in dB: gain in dB with threshold -20 for (ratio 4, knee 6), (ratio 4, hard), (ratio 2, knee 12)
STATIC_CURVES = (
    {"ratio": 4.0, "knee_db": 6.0},
    {"ratio": 4.0, "knee_db": 0.0},
    {"ratio": 2.0, "knee_db": 12.0},
)
STATIC_GAINS_DB = {
    -30: (0, 0, 0),
    -26: (0, 0, 0),
    -25: (0, 0, -0.0208),
    -24: (0, 0, -0.0833),
    -23: (0, 0, -0.1875),
    -22: (-0.0625, 0, -0.3333),
    -21: (-0.2500, 0, -0.5208),
    -20: (-0.5625, 0, -0.7500),
    -19: (-1.0000, -0.7500, -1.0208),
    -18: (-1.5625, -1.5000, -1.3333),
    -17: (-2.2500, -2.2500, -1.6875),
    -16: (-3.0000, -3.0000, -2.0833),
    -14: (-4.5000, -4.5000, -3.0000),
    -12: (-6.0000, -6.0000, -4.0000),
    -10: (-7.5000, -7.5000, -5.0000),
    -8: (-9.0000, -9.0000, -6.0000),
    -6: (-10.5000, -10.5000, -7.0000),
    -4: (-12.0000, -12.0000, -8.0000),
    -2: (-13.5000, -13.5000, -9.0000),
    0: (-15.0000, -15.0000, -10.0000),
}

# threshold -18, ratio 1.5, knee 10: input level in dB, gain in dB
GENTLE_GAINS_DB = {
    -23: 0,
    -20: -0.1500,
    -18: -0.4167,
    -15: -1.0667,
    -13: -1.6667,
    -10: -2.6667,
    -6: -4.0,
    0: -6.0,
}

# alpha = exp(-1/(tau fs)): time in ms, alpha at 44.1, 48 and 96 kHz
ALPHAS = {
    0.1: (0.797114163, 0.811936346, 0.901075106),
    1: (0.977579425, 0.979382181, 0.989637399),
    3: (0.992469915, 0.993079612, 0.996533799),
    10: (0.997734995, 0.997918835, 0.998958876),
    30: (0.999244428, 0.999305797, 0.999652838),
    100: (0.999773268, 0.999791688, 0.999895839),
    300: (0.999924417, 0.999930558, 0.999965278),
}

# smooth branching, attack 10 ms, release 100 ms: 10 dB held, then released to 0
AT_ATTACK_DB = 6.3212
AT_RELEASE_DB = 3.6788
# the same, released from 10 to 4 dB: time in ms, reduction in dB
RELEASING_TO_4_DB = {10: 9.429, 50: 7.639, 100: 6.207, 200: 4.812, 300: 4.299}


# smooth decoupled, attack 10 ms, release 100 ms: 10 dB held, then released to 0 and to 4 dB
DECOUPLED_AT_RELEASE_DB = 4.0871
DECOUPLED_RELEASE_MS = 110.52
DECOUPLED_TO_4_DB = {10: 9.787, 50: 8.039, 100: 6.452, 200: 4.902, 300: 4.332}


def static_gain_db(level_db, threshold_db, curve):
    steady = np.full((2, 2), 10 ** (level_db / 20))
    instant = Compressor(threshold_dbfs=threshold_db, attack_ms=0.0, release_ms=1.0, detector="peak", **curve)
    return db(gain_curve(instant, steady, RATE_HZ)[-1])


@pytest.mark.parametrize("level_db", STATIC_GAINS_DB)
def test_static_curve(level_db):
    found = [static_gain_db(level_db, -20.0, curve) for curve in STATIC_CURVES]
    np.testing.assert_allclose(found, STATIC_GAINS_DB[level_db], rtol=0, atol=0.00005)


@pytest.mark.parametrize("level_db", GENTLE_GAINS_DB)
def test_static_curve_of_a_gentle_setting(level_db):
    found = static_gain_db(level_db, -18.0, {"ratio": 1.5, "knee_db": 10.0})
    assert found == pytest.approx(GENTLE_GAINS_DB[level_db], abs=0.00005)


@pytest.mark.parametrize("time_ms", ALPHAS)
def test_coefficients_of_the_time_constants(time_ms):
    found = [keep_of(time_ms, rate_hz) for rate_hz in (44100, 48000, 96000)]
    np.testing.assert_allclose(found, ALPHAS[time_ms], rtol=0, atol=0.5e-9)


def reduction_db(*wanted_db_and_ms, ballistics="branching"):
    """Reduction of a hard 4:1, attack 10 ms, release 100 ms, for levels that want so much of it."""
    levels = [
        np.full(ms * RATE_HZ // 1000, 10 ** ((-20 + wanted * 4 / 3) / 20)) for wanted, ms in wanted_db_and_ms
    ]
    key = np.concatenate(levels)
    compressor = Compressor(
        threshold_dbfs=-20.0,
        ratio=4.0,
        knee_db=0.0,
        attack_ms=10.0,
        release_ms=100.0,
        detector="peak",
        ballistics=ballistics,
    )
    return -db(gain_curve(compressor, np.column_stack([key, key]), RATE_HZ))


def after_ms(time_ms):
    """Index of the last frame of a span."""
    return time_ms * RATE_HZ // 1000 - 1


def test_worked_run_of_the_smooth_branching_detector():
    run = reduction_db((10, 500), (-100, 200))
    assert run[after_ms(10)] == pytest.approx(AT_ATTACK_DB, abs=0.00005)
    assert run[after_ms(10)] == pytest.approx(10 * (1 - math.exp(-1)), abs=1e-9)
    assert run[after_ms(600)] == pytest.approx(AT_RELEASE_DB, abs=0.00005)


@pytest.mark.parametrize("time_ms", RELEASING_TO_4_DB)
def test_release_to_less_reduction_heads_for_it(time_ms):
    run = reduction_db((10, 500), (4, 400))
    assert run[after_ms(500 + time_ms)] == pytest.approx(RELEASING_TO_4_DB[time_ms], abs=0.0005)


def test_worked_run_of_the_smooth_decoupled_detector():
    run = reduction_db((10, 1000), (-100, 200), ballistics="decoupled")
    assert run[after_ms(1100)] == pytest.approx(DECOUPLED_AT_RELEASE_DB, abs=0.00005)
    fallen_ms = (np.argmax(run[48000:] <= 10 * math.exp(-1)) + 1) * 1000 / RATE_HZ
    assert fallen_ms == pytest.approx(DECOUPLED_RELEASE_MS, abs=1000 / RATE_HZ + 0.005)  # a frame


@pytest.mark.parametrize("time_ms", DECOUPLED_TO_4_DB)
def test_decoupled_release_to_less_reduction(time_ms):
    run = reduction_db((10, 1000), (4, 400), ballistics="decoupled")
    assert run[after_ms(1000 + time_ms)] == pytest.approx(DECOUPLED_TO_4_DB[time_ms], abs=0.0005)
