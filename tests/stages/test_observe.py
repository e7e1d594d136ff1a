"""The figures of the decision log against plain counting."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busproc.stages.context import Context
from busproc.stages.eq import Eq, Shaped
from busproc.stages.observe import WORKING_DB, GainTally
from tests import oracles
from tests.stages.probe import RATE_HZ, db, noise

BIN_DB = 0.005  # half a step of the histogram, and no more than rounding beyond


def reductions(seed, frames=3 * RATE_HZ):
    """Reduction in dB that comes and goes, none for half of the time."""
    rng = np.random.default_rng(seed)
    depth = np.repeat(rng.uniform(-10, 10, frames // 1000), 1000)
    return np.maximum(depth, 0)


@settings(max_examples=10)
@given(seed=st.integers(0, 99), makeup_db=st.floats(-6, 6), lag=st.integers(0, 500))
def test_the_gain_figures_are_what_counting_gives(seed, makeup_db, lag):
    depth = reductions(seed)
    scale = 10 ** (makeup_db / 20)
    tally = GainTally(RATE_HZ, lag, scale)
    gain = scale * np.concatenate([np.full(lag, 0.01), 10 ** (-depth / 20)])
    for block in np.array_split(gain, 7):
        tally.feed(block)
    working = depth >= WORKING_DB
    assert tally.working_share == pytest.approx(working.mean(), abs=1e-12)
    assert tally.events == np.count_nonzero(np.diff(np.concatenate([[0], working]).astype(int)) == 1)
    assert tally.deepest_db == pytest.approx(depth.max(), abs=1e-9)
    assert tally.deepest_at_s == pytest.approx(depth.argmax() / RATE_HZ, abs=1e-12)
    for percent in (50, 95):
        wanted = np.percentile(depth, percent, method="inverted_cdf")
        assert tally.percentile_db(percent) == pytest.approx(wanted, abs=BIN_DB + 1e-9)
    tenths = depth.reshape(-1, RATE_HZ // 10).max(axis=1)
    np.testing.assert_allclose(tally.curve_db, tenths, atol=BIN_DB + 1e-9)


def test_ten_values_a_second_also_where_a_tenth_is_no_whole_number_of_frames():
    tally = GainTally(22255, 0, 1.0)
    tally.feed(np.ones(22255))
    tally.feed(np.ones(22255))
    assert tally.curve_db == [0.0] * 20


def test_deep_reduction_is_counted_as_60_db_and_measured_as_it_is():
    tally = GainTally(RATE_HZ, 0, 1.0)
    tally.feed(np.full(1000, 10 ** (-70 / 20)))
    assert tally.percentile_db(50) == 60
    assert tally.deepest_db == pytest.approx(70, abs=1e-9)


def test_the_eq_logs_the_third_octave_that_changed():
    stage = Eq(bands=(Shaped(shape="bell", freq_hz=1000.0, gain_db=6.0, q=3.0),))
    plan, here = stage.plan(Context(RATE_HZ)), Context(RATE_HZ)
    state = stage.start(plan, 1, here)
    bus = noise(2 * RATE_HZ, level=0.3)
    made = stage.process(plan, state, bus[:, None], {})[:, 0]
    did = stage.record(plan, state, here)["did"]
    changes = did["third_octave_change_db"]
    assert max(changes, key=changes.get) == "1000"
    inside_hz = np.linspace(891.25, 1122.02, 500)  # edges of the band, IEC 61260-1
    bell = oracles.analog_shape("bell", 6.0, 3.0, 1j * oracles.warped(inside_hz, 1000, RATE_HZ))
    assert changes["1000"] == pytest.approx(10 * np.log10(np.mean(np.abs(bell) ** 2)), abs=0.05)
    assert changes["100"] == pytest.approx(0, abs=0.05)
    level_change = db(np.sqrt(np.mean(made**2))) - db(np.sqrt(np.mean(bus**2)))
    assert did["level_change_db"] == pytest.approx(level_change, abs=0.006)
