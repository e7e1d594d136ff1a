"""Adding files up again: one step in one sample is found, and a stem that only came late."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile as sf

from busproc.delivery.adding import FLOAT_FLOOR, Residue, find_residue, late_frames
from busproc.files import open_writer
from tests.songs import noise


def save(path, sound, bits):
    with open_writer(path, "wav", bits, 48000, 2, len(sound)) as writer:
        writer.write(np.ascontiguousarray(sound))
    return path


@pytest.mark.parametrize("bits", [16, 24, 32])
def test_one_step_in_one_sample_of_whole_numbers_is_found(tmp_path, bits):
    """At full scale, in the last frame, past the first block; many stems, which cut the blocks small."""
    rng = np.random.default_rng(bits)
    top = 2 ** (bits - 1)
    stems = rng.integers(-top // 64, top // 64, (64, 5000, 2), dtype=np.int32)
    mix = stems.sum(axis=0, dtype=np.int32)
    files = [save(tmp_path / f"{n}.wav", stem, bits) for n, stem in enumerate(stems)]
    assert find_residue(save(tmp_path / "mix.wav", mix, bits), files, exactly=True) is None
    mix[4999, 1] -= 1
    found = find_residue(save(tmp_path / "mix.wav", mix, bits), files, exactly=True)
    assert found == Residue(4999, 1, 1 / top)


def test_floating_point_is_held_to_140_db_under_full_scale(tmp_path):
    stems = [noise(0.2, seed) for seed in range(5)]
    files = [save(tmp_path / f"{n}.wav", stem, "32_float") for n, stem in enumerate(stems)]
    mix = sum(stems)
    assert find_residue(save(tmp_path / "mix.wav", mix, "32_float"), files, exactly=False) is None
    mix[7000:7010, 0] += 2 * FLOAT_FLOOR
    found = find_residue(save(tmp_path / "mix.wav", mix, "32_float"), files, exactly=False)
    assert (found.first_frame, found.frames) == (7000, 10)
    assert found.peak == pytest.approx(2 * FLOAT_FLOOR, rel=0.5)


def test_many_loud_stems_in_floating_point_may_lose_what_single_precision_loses(tmp_path):
    stems = [noise(0.05, seed, peak=0.9) for seed in range(200)]
    files = [save(tmp_path / f"{n}.wav", stem, "32_float") for n, stem in enumerate(stems)]
    mix = save(tmp_path / "mix.wav", sum(stems), "32_float")
    stored = sum(sf.read(file)[0] for file in files) - sf.read(mix)[0]
    assert np.abs(stored).max() > FLOAT_FLOOR
    assert find_residue(mix, files, exactly=False) is None


def test_a_stem_that_is_late_and_changed_is_not_said_to_be_late(tmp_path):
    rng = np.random.default_rng(1)
    one, other = rng.integers(-1000, 1000, (2, 4000, 2), dtype=np.int32)
    mix = save(tmp_path / "mix.wav", one + other, 24)
    others = [save(tmp_path / "other.wav", other, 24)]
    late = np.concatenate([np.zeros((3, 2), np.int32), one[:-3]])
    stem = tmp_path / "one.wav"
    assert late_frames(save(stem, late, 24), mix, others) == 3
    assert late_frames(save(stem, one, 24), mix, others) == 0
    assert late_frames(save(stem, one * 0, 24), mix, others) == 0
    late[3000, 0] += 1
    assert late_frames(save(stem, late, 24), mix, others) == 0
