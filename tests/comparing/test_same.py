"""Copies of a programme: found, aligned, and told from other programmes."""

import numpy as np
import pytest
import soxr

from busproc.comparing.compare import _entrance
from busproc.comparing.same import find_copy
from busproc.comparing.sounds import find_sound
from busproc.progress import silently
from tests.comparing.sounds import equalised, pink, song, written
from tests.measure.healthy import RATE_HZ

pytestmark = pytest.mark.slow


def copy_of(folder, mix, reference, heard="whole"):
    ours, theirs = (
        find_sound(path, heard, silently) for path in written(folder, mix=mix, reference=reference)
    )
    return find_copy(ours, theirs, _entrance(ours, folder, silently), silently)


@pytest.mark.parametrize("late", [0, 1, 1234, -777, 48000])
@pytest.mark.parametrize("sign", [1, -1])
def test_a_treated_copy_is_found_wherever_it_starts(tmp_path, late, sign):
    mix = song()
    treated = sign * equalised(mix)
    moved = np.concatenate([np.zeros((late, 2)), treated]) if late > 0 else treated[-late:]
    found = copy_of(tmp_path, mix, moved)
    assert found is not None
    assert found.explained > 0.99
    assert abs(found.late_frames - late) <= 1  # minimum phase turns a little


def test_a_copy_at_another_rate_is_found(tmp_path):
    mix = song()
    found = copy_of(tmp_path, mix, (soxr.resample(mix, RATE_HZ, 44100, quality="VHQ"), 44100))
    assert found is not None
    assert found.late_frames == 0


def test_a_passage_of_a_copy_is_found(tmp_path):
    mix = song(seconds=36)
    found = copy_of(tmp_path, mix, np.concatenate([np.zeros((500, 2)), mix]), "most_changing")
    assert found is not None
    assert found.late_frames == 500


@pytest.mark.parametrize(
    "make", [lambda seed: pink(seed, 20), lambda seed: song(seed=100 * seed)], ids=["noise", "music"]
)
def test_another_programme_is_no_copy(tmp_path, make):
    assert copy_of(tmp_path, make(1), make(2)) is None


def test_a_mix_with_much_else_in_it_is_no_copy(tmp_path):
    mix = pink(1, 20)
    assert copy_of(tmp_path, mix, mix + 0.5 * pink(2, 20)) is None
    assert copy_of(tmp_path, mix, mix + 0.1 * pink(2, 20)) is not None
