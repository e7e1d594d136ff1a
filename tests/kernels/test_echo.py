"""What a line of echoes is fed and what is heard of it; the sound between frames that a moving copy reads."""

from __future__ import annotations

import math

import numpy as np
import pytest

from busproc.kernels import echo, moving_taps
from tests.stages.probe import db

INTO, BACK = ((0.5, 0.4), (0.0, 0.3)), ((0.1, 0.7), (0.6, 0.2))
ROUNDING = 1e-15


def noise(*shape, seed=0):
    return np.random.default_rng(seed).uniform(-1, 1, shape)


def test_the_line_is_fed_what_is_new_and_what_comes_round():
    line, x, echoes = np.empty((50, 3, 2)), noise(50, 3, 2), noise(50, 3, 2, seed=1)
    echo.feed(line, x, echoes, INTO, BACK)
    wanted = x @ np.transpose(INTO) + echoes @ np.transpose(BACK)
    np.testing.assert_allclose(line, wanted, rtol=0, atol=ROUNDING)


def test_what_is_as_good_as_nothing_goes_round_no_more():
    line, tiny = np.ones((1, 2, 2)), np.array([[[1e-29, -9e-31], [5e-310, 0.0]]])
    echo.feed(line, tiny, np.zeros_like(tiny), ((1.0, 0.0), (0.0, 1.0)), BACK)
    np.testing.assert_array_equal(line, [[[1e-29, 0.0], [0.0, 0.0]]])


@pytest.mark.parametrize("gain", [np.ones(0), noise(50, seed=2)], ids=["as loud as they are", "turned down"])
def test_echoes_are_added_by_a_matrix_and_a_gain(gain):
    out, x, echoes = np.empty((50, 3, 2)), noise(50, 3, 2), noise(50, 3, 2, seed=1)
    echo.blend(out, x, echoes, 0.7, INTO, gain)
    level = gain[:, None, None] if len(gain) else 1.0
    np.testing.assert_allclose(out, 0.7 * x + level * (echoes @ np.transpose(INTO)), rtol=0, atol=ROUNDING)


def read_at(delay_frames, wave):
    """One copy of a wave, late by a fixed time, from where all of its past is there."""
    past = 64
    heard, frames = wave[None], len(wave) - past
    out = np.zeros((frames, 1, 2))
    delays = np.full((1, frames), delay_frames)
    moving_taps.add_copies(out, heard, delays, moving_taps.weights(), np.array([[1.0, 0.0]]))
    assert not out[..., 1].any()
    return out[:, 0, 0]


# the figures of the module's description; each is for all places between two frames
MEASURED = [(44100, 18000, -75), (48000, 18000, -75), (48000, 20000, -72)]


@pytest.mark.parametrize(("rate_hz", "top_hz", "error_db"), MEASURED)
def test_the_sound_between_frames_is_the_true_one(rate_hz, top_hz, error_db):
    worst, frames = 0.0, np.arange(256.0)
    for freq_hz in np.linspace(100, top_hz, 23):
        turn = 2 * np.pi * freq_hz / rate_hz
        for part in np.linspace(0, 1, 37, endpoint=False):
            delay = 20 + part
            read = [read_at(delay, wave(turn * frames)) for wave in (np.cos, np.sin)]
            true = np.exp(1j * turn * (frames[64:] - delay))
            worst = max(worst, np.abs(read[0] + 1j * read[1] - true).max())
    assert -90 < db(worst) < error_db


def test_on_a_frame_the_sound_is_that_of_the_frame_and_a_constant_stays_one():
    wave = noise(200)
    np.testing.assert_allclose(read_at(17.0, wave), wave[64 - 17 : -17], rtol=0, atol=ROUNDING)
    np.testing.assert_allclose(read_at(23.3, np.ones(100)), 1, rtol=0, atol=ROUNDING)


def test_each_lane_is_read_from_its_own_past():
    heard, delays = noise(3, 90), np.full((1, 26), 20.0)
    out = np.zeros((26, 3, 2))
    moving_taps.add_copies(out, heard, delays, moving_taps.weights(), np.array([[0.5, 0.25]]))
    np.testing.assert_allclose(out[..., 0], 0.5 * heard[:, 44:70].T, rtol=0, atol=ROUNDING)
    np.testing.assert_array_equal(out[..., 1], out[..., 0] / 2)


AIMS, STEPS = (
    np.array([[900.0, 1000.0, 880.0, 1010.0], [700.0, 650.0, 720.0, 600.0]]),
    np.array([500.0, 430.7]),
)


def test_a_path_stands_at_its_aims_and_is_half_way_in_the_middle():
    delays = moving_taps.wander(AIMS, STEPS, 0, 4001)
    np.testing.assert_array_equal(delays[0, ::500], [*AIMS[0], *AIMS[0], 900.0])
    np.testing.assert_array_equal(delays[0, 250:1500:500], [950.0, 940.0, 945.0])


def test_a_path_is_never_steeper_than_told_and_has_no_corner():
    delays = moving_taps.wander(AIMS, STEPS, 0, 4000)
    slopes = np.diff(delays, axis=1)
    assert np.abs(slopes[0]).max() == pytest.approx(1.5 * 130 / 500, rel=1e-4)
    assert (
        np.abs(np.diff(slopes, axis=1)).max() < 6.1 * 130 / 430**2
    )  # the bend of 3 t^2 - 2 t^3 is 6 at most


@pytest.mark.parametrize("first", [-777, 0, 1234567])
def test_a_path_does_not_depend_on_where_a_run_begins(first):
    whole = moving_taps.wander(AIMS, STEPS, first, 900)
    np.testing.assert_array_equal(moving_taps.wander(AIMS, STEPS, first + 300, 600), whole[:, 300:])
    at = (first + 450) / 500 % 4
    k, t = math.floor(at), at % 1
    here, there = AIMS[0, k], AIMS[0, (k + 1) % 4]
    assert whole[0, 450] == pytest.approx(here + (3 * t**2 - 2 * t**3) * (there - here), abs=1e-6)
