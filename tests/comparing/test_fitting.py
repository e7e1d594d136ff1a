"""Bands fitted to curves that are known."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busproc.comparing.curves import curve_db
from busproc.comparing.fitting import LEAST_GAIN_DB, Limits, Wanted, fit
from busproc.comparing.spectra import PER_BAND, PER_PART, Points, edges_hz
from tests.comparing.sounds import EQ, band

pytestmark = pytest.mark.slow

LIMITS = Limits(6.0, (0.3, 1.4142))
HZ = np.geomspace(25, 16000, 300)


def points(per_third=1):
    edges = edges_hz(48000, per_third)
    count = PER_BAND if per_third == 1 else PER_PART
    steps = (np.arange(count) + 0.5) / count
    ratios = edges[1:] / edges[:-1]
    freqs = (edges[:-1, None] * ratios[:, None] ** steps).ravel()
    return Points(freqs, np.full((len(ratios), count), 1 / count))


def wanted(bands=(), per_third=1, more_db=0.0, error_db=0.003):
    on = points(per_third)
    change_db = (
        on.in_bands_db(10 ** (curve_db(bands, on.freqs_hz) / 10)) if bands else np.zeros(len(on.shares))
    )
    return Wanted(on, change_db + more_db, np.broadcast_to(error_db, change_db.shape).astype(float))


def apart_db(found, bands):
    apart = curve_db(found, HZ) - curve_db(bands, HZ)
    return np.abs(apart - apart.mean()).max()


@pytest.mark.parametrize("per_third", [1, 4])
@pytest.mark.parametrize("more_db", [0.0, -7.5])
def test_known_bands_are_found_whatever_the_level(per_third, more_db):
    assert apart_db(fit(wanted(EQ, per_third, more_db), LIMITS), EQ) < 0.05


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["bell", "low_shelf", "high_shelf"]), st.floats(-4, 4), st.floats(0.5, 1.2)
        ),
        min_size=1,
        max_size=2,
    ),
    st.floats(60, 900),
    st.floats(2, 10),
)
@settings(max_examples=25)
def test_a_curve_of_one_or_two_bands_is_found(drawn, freq_hz, ratio):
    low, high = min(freq_hz, 500), freq_hz * ratio
    places = {"low_shelf": [low, low], "high_shelf": [high + 700, high + 700], "bell": [freq_hz, high]}
    made = tuple(
        band(shape, places[shape][n], gain_db, q if shape == "bell" else 0.7071)
        for n, (shape, gain_db, q) in enumerate(drawn)
    )
    if np.abs(curve_db(made, HZ)).max() < LIMITS.gain_db:
        assert apart_db(fit(wanted(made, 4), LIMITS), made) < 0.15


@pytest.mark.parametrize("seed", range(4))
def test_smooth_curves_are_met(seed):
    # bar: five bands leave 0.3 dB rms of a random smooth curve (design experiments, section G)
    rng = np.random.default_rng(seed)
    on = points()
    octaves = np.log2(on.freqs_hz.reshape(on.shares.shape).mean(axis=1) / 1000)
    curve = sum(
        rng.normal() * np.cos(np.pi * k * (octaves + 5.4) / 10 + rng.uniform(0, 6.28)) for k in (1, 2, 3)
    )
    target = Wanted(on, curve * 2, np.full(len(curve), 0.01))
    found = fit(target, Limits(12.0, (0.3, 5.0)))
    assert target.rms_db(target.change_db - target.effect_db(found)) < 0.3
    assert target.rms_db(target.change_db) > 0.5


def test_few_bands_are_enough_for_a_plain_curve():
    assert len(fit(wanted((band("high_shelf", 6000, 3),)), LIMITS)) == 1


def test_a_flat_curve_asks_for_nothing():
    assert fit(wanted(), LIMITS) == ()
    assert fit(wanted(more_db=3.0), LIMITS) == ()


def test_no_more_is_done_than_is_known():
    assert fit(wanted(EQ, error_db=3.0), LIMITS) == ()


def test_a_band_that_has_no_say_has_none():
    here = wanted(EQ)
    error_db, change_db = here.error_db.copy(), here.change_db.copy()
    error_db[10], change_db[10] = np.inf, 40.0
    assert apart_db(fit(Wanted(here.points, change_db, error_db), LIMITS), EQ) < 0.05


@pytest.mark.parametrize("gain_db", [20.0, -20.0])
def test_moves_keep_their_limit_one_by_one_and_together(gain_db):
    much = (band("bell", 300, gain_db, 0.4), band("bell", 500, gain_db, 0.4), band("low_shelf", 90, gain_db))
    found = fit(wanted(much), LIMITS)
    assert found
    assert np.abs(curve_db(found, HZ)).max() <= LIMITS.gain_db + 1e-9
    for each in found:
        assert LEAST_GAIN_DB <= abs(each.gain_db) <= LIMITS.gain_db
        low, high = LIMITS.q(each.shape)
        assert low - 0.001 <= each.q <= high + 0.001


def test_that_of_most_effect_comes_first():
    target = wanted(EQ)
    effects = [target.rms_db(target.effect_db((each,))) for each in fit(target, LIMITS)]
    assert effects == sorted(effects, reverse=True)
    assert len(effects) == 4


def test_the_same_curve_gives_the_same_bands():
    assert fit(wanted(EQ), LIMITS) == fit(wanted(EQ), LIMITS)


def test_bands_may_be_laid_on_side():
    assert {each.on for each in fit(wanted(EQ), LIMITS, 2, "side")} == {"side"}
    assert len(fit(wanted(EQ), LIMITS, 2, "side")) <= 2
