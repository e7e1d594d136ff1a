"""Eight columns in longer registers give the bits of each on its own."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busproc.kernels import biquad

FRAMES = 200
SECTIONS = np.tile(
    [[0.7, -0.4, 0.2, 0.0, 0.0], [1.1, -1.8, 0.8, -0.7, 0.25], [0.9, 1.5, 0.0, 0.0, 0.0]], (3, 1)
)
"""Some forget all within two frames."""


def with_gaps(columns, rng):
    """Noise, loud, hardly over the threshold or silent, with stretches of nothing or next to it."""
    sound = rng.uniform(0.2, 1, (FRAMES, columns)) * rng.choice([1.0, 1e-29, 0.0], columns)
    for c in range(columns):
        for at in rng.integers(0, FRAMES, 6):
            sound[at : at + rng.choice([2, 4, 6, 8, 100]), c] = rng.choice([0.0, 1e-31])
    return sound


@settings(max_examples=25)
@given(columns=st.integers(6, 20), sections=st.integers(1, 8), seed=st.integers(0, 10**6))
def test_a_column_gives_the_same_bits_in_any_company(columns, sections, seed):
    rng = np.random.default_rng(seed)
    sound, state = with_gaps(columns, rng), np.zeros((sections, 2, columns))
    parts = [
        biquad.run_sections(SECTIONS[:sections], state, part) for part in np.split(sound, [1, 7, 10, 90])
    ]
    for c, made in enumerate(np.concatenate(parts).T):
        own_state = np.zeros((sections, 2, 1))
        alone = biquad.run_sections(SECTIONS[:sections], own_state, sound[:, [c]])
        assert made.tobytes() == alone.tobytes()
        assert state[..., c].tobytes() == own_state.tobytes()
