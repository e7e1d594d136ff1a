"""The network keeps what its lines do not absorb, and each part is what its formula says."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import hadamard

from busproc.kernels import feedback

ROUNDING = 1e-12
LENGTHS = (29, 31, 37, 41, 43, 47, 53, 59, 61, 67, 71, 73, 79, 83, 89, 97)
ENDS = np.cumsum([0, *LENGTHS])


def on_circle(angles):
    return np.column_stack([np.cos(angles), np.sin(angles)])


class Lines:
    """A network that absorbs so much in each round, with its memory."""

    def __init__(self, kept=1.0, turn=0.0):
        rng = np.random.default_rng(3)
        self.rows = np.tile([kept, 0.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0], (16, 1))
        self.at, self.ring, self.memory = ENDS[:-1].copy(), np.zeros(ENDS[-1]), np.zeros((16, 4))
        self.turning = on_circle(rng.uniform(0, 6, 8))
        self.turns = on_circle(turn * rng.uniform(0.5, 1, 8))

    def run(self, x):
        return feedback.run_network(
            x, ENDS, self.at, self.ring, self.rows, self.memory, self.turning, self.turns
        )

    @property
    def energy(self):
        return (self.ring**2).sum()


def impulse(frames, *sides):
    made = np.zeros((frames, 2))
    made[0] = sides
    return made


@pytest.mark.parametrize("turn", [0.0, 1e-3, 0.5])
def test_nothing_is_lost_or_won_where_nothing_is_absorbed(turn):
    lines = Lines(turn=turn)
    lines.run(impulse(10, 1.0, 0.0))
    assert lines.energy == pytest.approx(8, rel=ROUNDING)
    lines.run(np.zeros((20000, 2)))
    assert lines.energy == pytest.approx(8, rel=1e-10)


def test_the_first_sound_leaves_each_line_after_its_length():
    out = Lines().run(impulse(59, 1.0, 0.0))
    np.testing.assert_array_equal(np.flatnonzero(out[:58, 0]), LENGTHS[0:7:2])
    np.testing.assert_array_equal(np.abs(out[list(LENGTHS[0:7:2])]), 1.0)


def test_every_round_takes_what_the_rows_say():
    """After a round through lines of about one length the energy is that share: 0.5 squared."""
    lines = Lines(kept=0.5)
    lines.run(impulse(1, 1.0, 1.0))
    lines.run(np.zeros((max(LENGTHS), 2)))
    assert 16 * 0.5**6 < lines.energy < 16 * 0.5**2 + ROUNDING


def test_it_ends_in_silence_and_not_in_denormals():
    lines = Lines(kept=0.6)
    lines.run(impulse(1, 1.0, -1.0))
    seen = np.zeros(0)
    for _ in range(40):
        lines.run(np.zeros((1000, 2)))
        seen = np.concatenate([seen, lines.ring])
    assert not np.any((np.abs(seen) > 0) & (np.abs(seen) <= feedback.TINY))
    assert not lines.ring.any()
    assert not lines.memory.any()


def test_mixing_is_hadamards_matrix():
    values = np.random.default_rng(1).normal(size=16)
    wanted = hadamard(16) @ values / 4
    feedback.mix_all(values)
    np.testing.assert_allclose(values, wanted, rtol=0, atol=ROUNDING)


def test_left_and_right_of_what_is_handed_out_have_nothing_in_common():
    signs = np.array([feedback.hand_out(line) for line in np.eye(16)])
    np.testing.assert_array_equal(np.abs(signs), 1)
    np.testing.assert_array_equal(signs.T @ signs, 16 * np.eye(2))


def test_absorption_is_two_sections_in_series():
    rng = np.random.default_rng(2)
    row = np.array([0.9, -0.5, 0.2, -0.7, 0.2, 0.8, 0.3, 0.1, 0.4, -0.1])
    sound, memory = rng.normal(size=60), np.zeros(4)
    found = [feedback.absorb(value, row, memory) for value in sound]
    wanted = sound
    for b0, b1, b2, a1, a2 in row.reshape(2, 5):
        made = np.zeros(len(sound) + 2)
        padded = np.concatenate([wanted, np.zeros(2)])
        for n in range(len(sound)):
            made[n] = (
                b0 * padded[n] + b1 * padded[n - 1] + b2 * padded[n - 2] - a1 * made[n - 1] - a2 * made[n - 2]
            )
        wanted = made[: len(sound)]
    np.testing.assert_allclose(found, wanted, rtol=0, atol=ROUNDING)


def test_an_all_pass_keeps_every_frequency():
    """A power of two, so that its transform meets every frequency exactly."""
    response = np.zeros(1 << 12)
    response[0] = 1.0
    feedback.diffuse(response, 0.6, np.zeros(37), 0)
    np.testing.assert_array_equal(np.flatnonzero(response)[:3], [0, 37, 74])
    np.testing.assert_allclose(response[[0, 37]], [0.6, 1 - 0.6**2], rtol=0, atol=ROUNDING)
    np.testing.assert_allclose(np.abs(np.fft.rfft(response)), 1.0, rtol=0, atol=1e-9)


@pytest.mark.parametrize("blocks", [1, 7, 36, 37, 200])
def test_an_all_pass_in_blocks_gives_the_bits_of_one_run(blocks):
    sound = np.random.default_rng(1).normal(size=500)
    whole, parts, ring, at = sound.copy(), sound.copy(), np.zeros(37), 0
    feedback.diffuse(whole, 0.6, np.zeros(37), 0)
    for start in range(0, 500, blocks):
        at = feedback.diffuse(parts[start : start + blocks], 0.6, ring, at)
    np.testing.assert_array_equal(parts, whole)


def test_taps_add_what_was_so_long_ago():
    rng = np.random.default_rng(1)
    padded, gains, back = rng.normal(size=(60, 2)), rng.normal(size=(3, 2, 2)), np.array([1, 7, 20])
    out = np.ones((40, 2))
    feedback.add_taps(out, padded, back, gains)
    wanted = [
        [1 + sum(gains[k, side] @ padded[20 + n - back[k]] for k in range(3)) for side in range(2)]
        for n in range(40)
    ]
    np.testing.assert_allclose(out, wanted, rtol=0, atol=ROUNDING)
