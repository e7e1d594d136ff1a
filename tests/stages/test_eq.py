"""The EQ with the plain formulas against its analog prototypes; what any EQ leaves alone and takes back."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from busproc.errors import InputError
from busproc.kernels import biquad
from busproc.stages import filters
from busproc.stages.context import Context
from busproc.stages.eq import Eq, Pass, Shaped
from busproc.stages.eq_bands import Notch, Tilt
from tests import oracles
from tests.stages.probe import RATE_HZ, db, noise, response, streamed

CORNER_DB = -10 * math.log10(2)
ROUNDING = 1e-9  # relative; 16384 products summed, and poles close to 1
SLOPES = (6, 12, 18, 24, 30, 36, 42, 48, 72, 96)
FREQ_HZ = np.geomspace(20, 23000, 16)
SHAPES = ("bell", "low_shelf", "high_shelf")


def eq(*bands):
    return Eq(bands=bands)


def plain(*bands):
    return Eq(bands=bands, design="bilinear")


@settings(max_examples=30)
@given(
    shape=st.sampled_from(SHAPES),
    freq_hz=st.floats(500, 18000),
    gain_db=st.floats(-24, 24),
    q=st.floats(0.3, 8),
    rate_hz=st.sampled_from([44100, 48000, 96000]),
)
def test_a_bell_or_shelf_is_its_analog_prototype_warped(shape, freq_hz, gain_db, q, rate_hz):
    band = Shaped(shape=shape, freq_hz=freq_hz, gain_db=gain_db, q=q)
    points = np.geomspace(20, 0.49 * rate_hz, 16)
    s = 1j * oracles.warped(points, freq_hz, rate_hz)
    wanted = oracles.analog_shape(shape, gain_db, q, s)
    np.testing.assert_allclose(response(plain(band), points, rate_hz), wanted, rtol=ROUNDING)


def test_a_notch_and_a_tilt_are_their_analog_prototypes_warped():
    points = np.geomspace(20, 23000, 16)
    s = 1j * oracles.warped(points, 3000, RATE_HZ)
    notch, tilt = (
        Notch(shape="notch", freq_hz=3000.0, q=2.0),
        Tilt(shape="tilt", freq_hz=3000.0, gain_db=-5.0),
    )
    a = 10 ** (-5 / 20)
    wanted = (s**2 + 1) / (s**2 + s / 2 + 1), (a * s + 1) / (s + a)
    for band, each in zip((notch, tilt), wanted, strict=True):
        np.testing.assert_allclose(response(plain(band), points), each, rtol=ROUNDING)


@pytest.mark.parametrize("design", ["analog", "bilinear"])
def test_a_notch_lets_nothing_through_at_its_frequency(design):
    band = Notch(shape="notch", freq_hz=3000.0, q=2.0)
    assert db(response(Eq(bands=(band,), design=design), 3000.0))[0] < -200


@pytest.mark.parametrize("design", ["analog", "bilinear"])
def test_a_tilt_raises_the_top_as_much_as_it_lowers_the_bottom(design):
    band = Tilt(shape="tilt", freq_hz=700.0, gain_db=4.0)
    found = db(response(Eq(bands=(band,), design=design), [0.0, 700.0, 20000.0]))
    np.testing.assert_allclose(found, [-4, 0, 4], atol=0.02)  # at 20 kHz 0.005 dB are missing


@pytest.mark.parametrize("slope", SLOPES)
@pytest.mark.parametrize(("shape", "kind"), [("high_pass", "highpass"), ("low_pass", "lowpass")])
@pytest.mark.parametrize(("freq_hz", "rate_hz"), [(120.0, 48000), (3000.0, 44100)])
def test_a_pass_is_the_butterworth_filter_of_its_order(slope, shape, kind, freq_hz, rate_hz):
    band = Pass(shape=shape, freq_hz=freq_hz, slope_db_per_octave=slope)
    sections = signal.butter(slope // 6, freq_hz, kind, fs=rate_hz, output="sos")
    points = np.geomspace(freq_hz / 3, min(3 * freq_hz, 20000), 16)
    wanted = signal.sosfreqz(sections, worN=points, fs=rate_hz)[1]
    found = response(plain(band), points, rate_hz, frames=1 << 16)
    np.testing.assert_allclose(found, wanted, rtol=1e-6, atol=1e-12)


@pytest.mark.parametrize("slope", SLOPES)
@pytest.mark.parametrize("shape", ["high_pass", "low_pass"])
@pytest.mark.parametrize("rate_hz", [44100, 192000])
def test_a_pass_is_3_db_down_at_its_corner_whatever_the_slope(slope, shape, rate_hz):
    band = Pass(shape=shape, freq_hz=200.0, slope_db_per_octave=slope)
    found = db(response(plain(band), 200.0, rate_hz, frames=1 << 16))[0]
    assert found == pytest.approx(CORNER_DB, abs=1e-6)


@pytest.mark.parametrize("slope", SLOPES[:6])  # steeper ones sink under rounding two octaves out
def test_a_pass_falls_by_its_slope(slope):
    band = Pass(shape="high_pass", freq_hz=800.0, slope_db_per_octave=slope)
    near, far = db(response(plain(band), [200.0, 100.0]))
    assert near - far == pytest.approx(6.0206 * slope / 6, rel=0.01 if slope > 6 else 0.06)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("on", ["left_right", "mid", "side"])
def test_boost_and_cut_of_the_same_size_cancel(shape, on):
    there, back = (
        Shaped(shape=shape, freq_hz=900.0, gain_db=gain_db, q=1.3, on=on) for gain_db in (9.0, -9.0)
    )
    sound = noise(4000)
    np.testing.assert_allclose(streamed(eq(there, back), sound), sound, rtol=0, atol=1e-13)
    assert np.abs(streamed(eq(there), sound) - sound).max() > 0.1


PURE = {"mid": (0.5, 0.5), "side": (0.5, -0.5)}


@pytest.mark.parametrize(("on", "other"), [("mid", "side"), ("side", "mid")])
def test_a_band_on_one_leaves_the_other_untouched_bit_for_bit(on, other):
    band = Shaped(shape="bell", freq_hz=900.0, gain_db=9.0, on=on)
    untouched = noise(4000)[:, :1] * PURE[other]
    np.testing.assert_array_equal(streamed(eq(band), untouched), untouched)


@pytest.mark.parametrize(("on", "sign"), [("mid", -1), ("side", 1)])
def test_a_band_on_one_leaves_the_other_of_a_stereo_sound_to_the_last_bit(on, sign):
    band = Shaped(shape="bell", freq_hz=900.0, gain_db=9.0, on=on)
    sound = noise(4000)
    kept = streamed(eq(band), sound) @ [1, sign] - sound @ [1, sign]
    assert np.abs(kept).max() <= 4 * np.finfo(float).eps * 4  # each side is rounded once, at up to 4


@pytest.mark.parametrize("on", PURE)
def test_a_band_on_mid_or_side_shapes_it_as_it_would_left_and_right(on):
    band = {"shape": "high_shelf", "freq_hz": 4000.0, "gain_db": -7.0, "q": 0.7}
    wanted = response(eq(Shaped(**band)), FREQ_HZ)
    found = 2 * response(eq(Shaped(**band, on=on)), FREQ_HZ, sides=PURE[on])
    np.testing.assert_allclose(found, wanted, rtol=ROUNDING)


@settings(max_examples=15)
@given(
    gain_db=st.floats(-24, 24), q=st.floats(0.1, 20), freq_hz=st.floats(10, 20000), seed=st.integers(0, 99)
)
def test_the_kernel_runs_the_difference_equation(gain_db, q, freq_hz, seed):
    rows = [filters.bell(freq_hz, gain_db, q, RATE_HZ), *filters.high_pass(freq_hz, 18, RATE_HZ)]
    sound = noise(300, seed)
    made = biquad.run_sections(filters.sections(rows), np.zeros((len(rows), 2, 2)), sound)
    for side in range(2):
        wanted = sound[:, side]
        for row in rows:
            wanted = oracles.direct_form(row, wanted)
        # direct form I loses what is left of 1 at a pole near it: 10 Hz at 48 kHz leaves 1e-6 of it
        np.testing.assert_allclose(made[:, side], wanted, rtol=0, atol=1e-7)


def test_a_decaying_filter_comes_to_rest_and_not_to_denormals():
    rows = filters.sections([filters.bell(1000.0, 12.0, 20.0, RATE_HZ)])
    state = np.zeros((1, 2, 1))
    biquad.run_sections(rows, state, np.ones((1, 1)))
    biquad.run_sections(rows, state, np.zeros((RATE_HZ, 1)))
    assert not state.any()


def test_a_frequency_that_the_rate_cannot_carry_is_refused():
    band = Shaped(shape="bell", freq_hz=23000.0, gain_db=1.0)
    with pytest.raises(InputError, match=r"23000 Hz cannot run at 44100 Hz: .* under 22006 Hz"):
        eq(band).plan(Context(44100))
