"""Whole numbers that add up, each as near to its own value as that allows."""

from __future__ import annotations

import numpy as np
import pytest

from busproc.kernels.dither import quantise_dithered
from busproc.kernels.remainders import share_out

FRAMES = 20000


def shared(addends, sums):
    """What each addend becomes, `(frames, addends, channels)`, and what nobody could take."""
    out = np.empty(addends.shape, np.int32)
    left = share_out(addends, sums, out)
    return out, left


def addends_of(count, seed=0):
    return 30 * np.random.default_rng(seed).standard_normal((FRAMES, count, 2))


@pytest.mark.parametrize("count", [1, 2, 3, 8, 70])
def test_undithered_each_stays_within_one_step(count):
    addends = addends_of(count)
    sums = np.rint(addends.sum(axis=1)).astype(np.int32)
    out, left = shared(addends, sums)
    assert left == 0
    np.testing.assert_array_equal(out.sum(axis=1), sums)
    assert np.abs(out - addends).max() < 1


@pytest.mark.parametrize("count", [1, 2, 3, 8, 70])
def test_with_a_dithered_sum_each_stays_within_one_step_and_half_a_step_shared(count):
    """Triangular dither and rounding move the sum by at most 1.5 steps: the bound is 1 + 1/(2 n)."""
    addends = addends_of(count)
    sums = np.empty((FRAMES, 2), np.int32)
    quantise_dithered(np.ascontiguousarray(addends.sum(axis=1)) / 2**23, 2.0**23, 0, 0, sums)
    out, left = shared(addends, sums)
    assert left == 0
    np.testing.assert_array_equal(out.sum(axis=1), sums)
    assert np.abs(out - addends).max() <= 1 + 0.5 / count


def test_the_error_is_hardly_more_than_that_of_rounding():
    addends = addends_of(8)
    out, _ = shared(addends, np.rint(addends.sum(axis=1)).astype(np.int32))
    rms = np.sqrt(np.mean((out - addends) ** 2))
    assert 12**-0.5 < rms < 1.1 * 12**-0.5


def test_what_is_silent_stays_silent():
    addends = addends_of(4)
    addends[:5000, 2] = 0.0
    out, left = shared(addends, np.rint(addends.sum(axis=1)).astype(np.int32))
    assert left == 0
    assert not out[:5000, 2].any()


def test_where_all_are_silent_and_the_sum_is_not_it_says_how_much_is_left_over():
    out, left = shared(np.zeros((3, 2, 2)), np.array([[0, 0], [1, -2], [0, 0]], np.int32))
    assert left == 3
    assert not out.any()


def test_the_first_of_equals_gets_the_step():
    out, _ = shared(np.full((1, 3, 1), 0.25), np.array([[1]], np.int32))
    assert out[0, :, 0].tolist() == [1, 0, 0]


def test_addends_that_do_not_add_up_are_left_as_they_are_and_told():
    addends = addends_of(3)[:5]
    out, left = shared(addends, np.full((5, 2), 1_000_000, np.int32))
    np.testing.assert_array_equal(out, np.rint(addends))
    assert left > 9_000_000
