"""Curves in closed form against the filters that are run."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import freqz_sos

from busproc.comparing.curves import curve_db
from tests.comparing.sounds import EQ, band

pytestmark = pytest.mark.slow

HZ = np.geomspace(20, 19000, 300)
SETTINGS = (
    st.sampled_from(["bell", "low_shelf", "high_shelf"]),
    st.floats(25, 16000),
    st.floats(-12, 12).filter(lambda gain_db: abs(gain_db) > 0.01),
    st.floats(0.3, 5),
)


def run_db(bands, rate_hz=48000):
    rows = [row for each in bands for row in each.sections(rate_hz, "analog")]
    sections = np.insert(np.array(rows), 3, 1.0, axis=1)
    return 20 * np.log10(np.abs(freqz_sos(sections, HZ, fs=rate_hz)[1]))


@given(*SETTINGS)
def test_a_curve_is_that_of_the_filter(shape, freq_hz, gain_db, q):
    # the EQ promises its analog filter within 0.05 dB
    made = (band(shape, freq_hz, gain_db, q),)
    np.testing.assert_allclose(curve_db(made, HZ), run_db(made), atol=0.05)


def test_curves_in_series_add_up():
    apart = sum(curve_db((each,), HZ) for each in EQ)
    np.testing.assert_allclose(curve_db(EQ, HZ), apart, atol=1e-9)


@given(*SETTINGS)
def test_boost_and_cut_undo_each_other(shape, freq_hz, gain_db, q):
    both = curve_db((band(shape, freq_hz, gain_db, q), band(shape, freq_hz, -gain_db, q)), HZ)
    np.testing.assert_allclose(both, 0, atol=1e-9)
