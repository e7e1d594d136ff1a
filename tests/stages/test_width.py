"""What width does to side, and that it leaves mid and the mono sum alone."""

from __future__ import annotations

import numpy as np
import pytest

from busproc.stages.width import Width
from tests.stages.probe import db, noise, response, streamed

WIDTHS = (0.0, 0.3, 1.0, 1.7, 2.0)
FREQ_HZ = np.geomspace(20, 20000, 50)
MID, SIDE = (1.0, 1.0), (1.0, -1.0)
ROUNDING = 1e-15
FLAT_DB = 1e-9
IN_PHASE = 1e-9  # radians


@pytest.mark.parametrize("width", WIDTHS)
def test_the_mono_sum_is_unchanged_and_side_is_scaled(width):
    sound = noise(5000)
    made = streamed(Width(width=width), sound)
    np.testing.assert_allclose(made @ MID, sound @ MID, rtol=0, atol=ROUNDING)
    np.testing.assert_allclose(made @ SIDE, width * (sound @ SIDE), rtol=0, atol=ROUNDING)


def test_width_0_is_mono_to_the_last_bit():
    made = streamed(Width(width=0.0), noise(1000))
    np.testing.assert_array_equal(made[:, 0], made[:, 1])


@pytest.mark.parametrize("sides", [MID, SIDE])
def test_mono_below_turns_no_mid_into_side_and_no_side_into_mid(sides):
    pure = noise(3000)[:, :1] * sides
    made = streamed(Width(width=1.4, mono_below_hz=200.0), pure)
    np.testing.assert_array_equal(made[:, 0] * sides[1], made[:, 1])


@pytest.mark.parametrize("width", [0.5, 1.0, 2.0])
@pytest.mark.parametrize("corner_hz", [60.0, 120.0, 400.0])
def test_mono_below_removes_side_at_24_db_an_octave(width, corner_hz):
    """Linkwitz-Riley of fourth order: -6.02 dB at the corner, all gone two octaves below."""
    wide = Width(width=width, mono_below_hz=corner_hz)
    at, below, further, above = db(
        response(wide, corner_hz * np.array([1, 1 / 4, 1 / 8, 16]), sides=SIDE) / width
    )
    assert at == pytest.approx(-6.0206, abs=1e-4)
    assert below < -48
    assert below - further == pytest.approx(24.08, abs=0.05)
    assert above == pytest.approx(0, abs=0.01)


@pytest.mark.parametrize("rate_hz", [44100, 96000])
def test_mono_below_leaves_mid_as_loud_as_it_was(rate_hz):
    mid = response(Width(width=1.4, mono_below_hz=120.0), FREQ_HZ, rate_hz, sides=MID)
    assert np.abs(db(mid)).max() < FLAT_DB


@pytest.mark.parametrize("width", [0.5, 2.0])
def test_mid_and_side_stay_in_phase(width):
    wide = Width(width=width, mono_below_hz=120.0)
    heard = FREQ_HZ[FREQ_HZ > 40]  # side is 38 dB down there
    mid, side = (response(wide, heard, sides=sides) for sides in (MID, SIDE))
    assert np.abs(np.angle(side / mid)).max() < IN_PHASE


def test_above_the_lows_one_side_stays_on_its_side():
    """Were mid and side out of step, a sound hard on the left would come back on the right."""
    far = response(Width(mono_below_hz=100.0), FREQ_HZ[FREQ_HZ > 2000], sides=(0.0, 1.0))
    assert db(far).max() < -50
