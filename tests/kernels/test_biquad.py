"""Sections that run abreast give the bits of one after the other, in any block, beside any lanes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busproc.kernels import biquad

FRAMES = 300


def one_after_the_other(coefficients, state, x):
    """The slow and obvious way: sample by sample, section by section, zero where all is tiny."""
    y = into = x.copy()
    for k, (b0, b1, b2, a1, a2) in enumerate(coefficients):
        if k % biquad.ABREAST == 0:
            into, y = y, y.copy()
        for c in range(x.shape[1]):
            s1, s2 = state[k, :, c]
            for n in range(len(x)):
                value = y[n, c]
                y[n, c] = b0 * value + s1
                s1, s2 = (b1 * value + s2) - a1 * y[n, c], b2 * value - a2 * y[n, c]
                if abs(into[n, c]) + (abs(s1) + abs(s2)) <= biquad.TINY:
                    s1 = s2 = 0.0
            state[k, :, c] = s1, s2
    return y


def resonances(count, rng):
    """Stable sections; some forget all within two frames."""
    radius, angle = rng.uniform(0, 0.9, count) * rng.integers(0, 2, count), rng.uniform(0, np.pi, count)
    free = rng.uniform(-2, 2, (3, count))
    return np.column_stack([*free, -2 * radius * np.cos(angle), radius**2])


def broken_sound(columns, rng):
    """Noise, loud or hardly over the threshold, with stretches of nothing or next to it in each column."""
    size = FRAMES, columns
    sound = rng.uniform(0.2, 1, size) * rng.choice([-1.0, 1.0], size) * rng.choice([1.0, 1e-29])
    for c in range(columns):
        for at in rng.integers(0, FRAMES, 6):
            sound[at : at + rng.choice([2, 4, 6, 8, 100]), c] = rng.choice([0.0, 1e-31])
    return sound


@settings(max_examples=25)
@given(sections=st.integers(1, 13), columns=st.integers(1, 5), seed=st.integers(0, 10**6))
def test_sections_abreast_give_the_bits_of_one_after_the_other(sections, columns, seed):
    rng = np.random.default_rng(seed)
    coefficients, sound = resonances(sections, rng), broken_sound(columns, rng)
    wanted_state = np.zeros((sections, 2, columns))
    wanted = one_after_the_other(coefficients, wanted_state, sound)
    state, parts, at = np.zeros((sections, 2, columns)), [], 0
    while at < FRAMES:
        size = int(rng.choice([1, 2, 5, 6, 7, 64, 299]))
        parts.append(biquad.run_sections(coefficients, state, sound[at : at + size]))
        at += size
    assert np.concatenate(parts).tobytes() == wanted.tobytes()
    assert state.tobytes() == wanted_state.tobytes()


@pytest.mark.parametrize("columns", [1, 2, 5])
def test_the_input_is_left_alone(columns):
    sound = np.random.default_rng(0).uniform(-1, 1, (50, columns))
    kept = sound.copy()
    sound.setflags(write=False)
    biquad.run_sections(np.ones((2, 5)) * 0.1, np.zeros((2, 2, columns)), sound)
    np.testing.assert_array_equal(sound, kept)


def test_after_a_sound_every_section_comes_to_rest():
    coefficients = resonances(8, np.random.default_rng(3))
    state = np.zeros((8, 2, 2))
    sound = np.concatenate([np.ones((10, 2)), np.zeros((8000, 2))])
    made = biquad.run_sections(coefficients, state, sound)
    assert not state.any()
    assert not made[-10:].any()
