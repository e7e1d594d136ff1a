"""A compressor's gain in one go is that of its steps one after the other, to the bit."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busproc.kernels import dynamics

FRAMES = 300
TILE = dynamics.TILE_FRAMES


def step_by_step(x, as_rms, mean_square, reduction, keep, curve, keeps, dry_and_wet):
    level_db = dynamics.level_db_of(x, as_rms, keep, True, mean_square)
    wanted = dynamics.wanted_reduction(level_db, *curve)
    return dynamics.gain_of(dynamics.follow(wanted, *keeps, reduction), *dry_and_wet)[0]


def swelling(rng):
    """Noise whose level moves over 100 dB, with silence and one side that is now louder, now quieter."""
    level = np.repeat(10 ** rng.uniform(-5, 0, (FRAMES // 20, 2)), 20, axis=0)
    sound = level * rng.uniform(-1, 1, (FRAMES, 2))
    sound[60:110] = 0.0
    return sound


@settings(max_examples=30)
@given(
    as_rms=st.booleans(),
    knee_db=st.sampled_from([0.0, 6.0]),
    most_db=st.sampled_from([8.0, 1000.0]),
    sizes=st.lists(st.sampled_from([0, 1, 5, TILE - 1, TILE, TILE + 1, 2 * TILE, 100]), min_size=1),
    seed=st.integers(0, 10**6),
)
def test_in_one_go_it_is_the_same_to_the_bit(as_rms, knee_db, most_db, sizes, seed):
    sound = swelling(np.random.default_rng(seed))
    curve, keeps, dry_and_wet = (-40.0, 0.75, knee_db, most_db), (0.7, 0.97), (0.2, 0.9)
    squares, reduction = np.zeros(2), np.zeros(1)
    parts = [
        dynamics.gain_of_sound(
            np.ascontiguousarray(part), as_rms, squares, reduction, 0.9, *curve, *keeps, *dry_and_wet
        )
        for part in np.split(sound, np.minimum(np.cumsum(sizes), FRAMES))
    ]
    wanted_squares, wanted_reduction = np.zeros(2), np.zeros(1)
    wanted = step_by_step(sound, as_rms, wanted_squares, wanted_reduction, 0.9, curve, keeps, dry_and_wet)
    assert np.concatenate(parts).tobytes() == wanted.tobytes()
    assert reduction.tobytes() == wanted_reduction.tobytes()
    if as_rms:
        assert squares.tobytes() == wanted_squares.tobytes()
