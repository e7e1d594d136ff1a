"""Rates up and down by any factor: the same bits in any block, beside any lanes; a ratio on the way down."""

from __future__ import annotations

import numpy as np
import pytest

from busproc.kernels import oversample

FACTORS = pytest.mark.parametrize("factor", [1, 2, 4, 8, 16, 32])
FRAMES = 700


def noise(frames, columns=2, seed=0):
    return np.random.default_rng(seed).uniform(-1, 1, (frames, columns))


def whole(factor, x):
    fine = oversample.up(factor, oversample.start_up(factor, x.shape[1]), x)
    return fine, oversample.down(factor, oversample.start_down(factor, x.shape[1]), fine)


@FACTORS
@pytest.mark.parametrize("size", [1, 7, 64, 500])
def test_the_block_does_not_matter(factor, size):
    x = noise(FRAMES)
    fine, coarse = whole(factor, x)
    rising, falling = oversample.start_up(factor, 2), oversample.start_down(factor, 2)
    raised = [oversample.up(factor, rising, x[at : at + size]) for at in range(0, FRAMES, size)]
    assert np.concatenate(raised).tobytes() == fine.tobytes()
    lowered = [oversample.down(factor, falling, part) for part in raised]
    assert np.concatenate(lowered).tobytes() == coarse.tobytes()


@FACTORS
@pytest.mark.parametrize("columns", [1, 3, 6])
def test_other_columns_do_not_matter(factor, columns):
    x = noise(FRAMES, columns)
    fine, coarse = whole(factor, x)
    for c in range(columns):
        alone, back = whole(factor, x[:, c : c + 1])
        assert alone[:, 0].tobytes() == fine[:, c].tobytes()
        assert back[:, 0].tobytes() == coarse[:, c].tobytes()


def test_a_factor_of_one_changes_nothing():
    x = noise(FRAMES)
    for made in whole(1, x):
        np.testing.assert_array_equal(made, x)
    assert oversample.latency_frames(1) == 0


@FACTORS
@pytest.mark.parametrize("lanes", [1, 3])
def test_a_ratio_is_applied_on_the_way_down(factor, lanes):
    fine, ratio = noise(FRAMES * factor, 2 * lanes), noise(FRAMES * factor, seed=1)
    made = oversample.down(factor, oversample.start_down(factor, 2 * lanes), fine, ratio)
    change = fine * np.tile(ratio - 1, lanes)
    wanted = oversample.down(factor, oversample.start_down(factor, 2 * lanes), change)
    assert made.tobytes() == wanted.tobytes()


@FACTORS
def test_silence_comes_back_after_the_sound(factor):
    x = np.concatenate([noise(50), np.zeros((400, 2))])
    fine, coarse = whole(factor, x)
    assert not fine[-factor * 100 :].any()
    assert not coarse[-100:].any()


def test_every_delay_is_a_whole_base_frame_and_reaches_far_enough():
    for doubling, (reach, delay) in enumerate(zip(oversample.REACH, oversample.DELAY, strict=True)):
        assert reach <= delay
        assert delay % (1 << doubling) == 0
