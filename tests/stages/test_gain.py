"""Levels, polarity and pan laws."""

from __future__ import annotations

import math

import numpy as np
import pytest

from busproc.stages.gain import Gain, pan_gains
from tests.stages.probe import noise, streamed

ROUNDING = 1e-15

# law: gain of left and right at the left end, half-way to the left, half-way to the right, the right end
# common practice, no source; the formulas are worked out here from what each law keeps
LAWS = {
    "balance": ((1, 0), (1, math.sqrt(0.5)), (math.sqrt(0.5), 1), (0, 1)),
    "linear": ((2, 0), (1.5, 0.5), (0.5, 1.5), (0, 2)),
    "constant_power": (
        (math.sqrt(2), 0),
        (math.sqrt(1 + math.sqrt(0.5)), math.sqrt(1 - math.sqrt(0.5))),
        (math.sqrt(1 - math.sqrt(0.5)), math.sqrt(1 + math.sqrt(0.5))),
        (0, math.sqrt(2)),
    ),
}


@pytest.mark.parametrize("law", LAWS)
def test_each_law_has_its_gains_at_the_ends_and_half_way(law):
    found = [pan_gains(pan, law) for pan in (-1.0, -0.5, 0.5, 1.0)]
    np.testing.assert_allclose(found, LAWS[law], rtol=0, atol=ROUNDING)


@pytest.mark.parametrize("law", LAWS)
def test_the_centre_is_exactly_one_and_the_far_side_exactly_nothing(law):
    assert pan_gains(0.0, law) == (1.0, 1.0)
    assert pan_gains(-1.0, law)[1] == pytest.approx(0, abs=0)
    assert pan_gains(1.0, law)[0] == pytest.approx(0, abs=0)


@pytest.mark.parametrize("pan", [-1.0, -0.9, -0.3, 0.0, 0.01, 0.6, 1.0])
def test_what_a_law_keeps_it_keeps_everywhere(pan):
    left, right = pan_gains(pan, "constant_power")
    assert left**2 + right**2 == pytest.approx(2, rel=1e-14)
    assert sum(pan_gains(pan, "linear")) == pytest.approx(2, rel=1e-14)
    assert max(pan_gains(pan, "balance")) == pytest.approx(1, abs=0)


def test_the_ends_are_3_db_and_6_db_up():
    assert 20 * math.log10(pan_gains(1.0, "constant_power")[1]) == pytest.approx(3.0103, abs=5e-5)
    assert 20 * math.log10(pan_gains(1.0, "linear")[1]) == pytest.approx(6.0206, abs=5e-5)


@pytest.mark.parametrize(("gain_db", "factor"), [(-80.0, 1e-4), (-20.0, 0.1), (-6.0, 0.501187), (20.0, 10.0)])
def test_decibels_become_a_factor(gain_db, factor):
    sound = noise(100)
    made = streamed(Gain(gain_db=gain_db), sound)
    np.testing.assert_allclose(made, factor * sound, rtol=1e-6)  # -6 dB is typed in to six digits


def test_inverted_polarity_cancels_the_bus_exactly():
    sound = noise(100)
    made = streamed(Gain(polarity="inverted"), sound)
    np.testing.assert_array_equal(made + sound, np.zeros_like(sound))


def test_left_and_right_stay_apart():
    only_left = noise(100) * [1, 0]
    made = streamed(Gain(gain_db=3.0, pan=0.4, pan_law="linear"), only_left)
    assert not made[:, 1].any()
    np.testing.assert_allclose(made[:, 0], only_left[:, 0] * 10 ** (3 / 20) * 0.6, rtol=ROUNDING)
