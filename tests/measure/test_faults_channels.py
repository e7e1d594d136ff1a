"""Silent channels, one sound on both, and a constant under the sound."""

import numpy as np
import pytest

from busproc.measure.faults.channels import OneSounds, Silences
from busproc.measure.faults.dc import Constants
from tests.measure import healthy

RATE_HZ = healthy.RATE_HZ


def found(search, audio):
    for start in range(0, len(audio), 4096):
        search.feed(np.ascontiguousarray(audio[start : start + 4096]))
    return search.finding()


@pytest.mark.parametrize(
    ("sides", "silent", "is_whole"),
    [([1, 1], (), False), ([0, 1], (0,), False), ([1, 0], (1,), False), ([0, 0], (0, 1), True)],
)
@pytest.mark.parametrize("floor", [0.0, 2.0**-15])
def test_silent_channels(sides, silent, is_whole, floor):
    dither = floor * np.random.default_rng(1).triangular(-1, 0, 1, (RATE_HZ, 2))
    silence = found(Silences(2), 0.1 * healthy.noise(2, seconds=1) * sides + dither)
    assert (silence.channels, silence.is_whole, silence.found) == (silent, is_whole, bool(silent))


def test_a_quiet_channel_is_not_silent():
    silence = found(Silences(2), healthy.noise(2, seconds=1) * [0.1, 1e-4])
    assert not silence.found
    assert silence.peaks_dbfs[1] == pytest.approx(-80 + 12, abs=2)


@pytest.mark.parametrize("gain", [1.0, 0.5, 3.0])
@pytest.mark.parametrize(("noise_db", "is_one"), [(None, True), (-80, True), (-50, False), (-20, False)])
def test_one_sound_on_both_sides(gain, noise_db, is_one):
    audio = 0.1 * np.repeat(healthy.noise(3, 1, seconds=2), 2, axis=1) * [1.0, gain]
    if noise_db is not None:
        audio[:, 1] += gain * 0.1 * 10 ** (noise_db / 20) * healthy.noise(4, 1, seconds=2)[:, 0]
    one = found(OneSounds(), audio)
    assert one.found == is_one
    assert one.right_to_left_db == pytest.approx(20 * np.log10(gain), abs=0.1)
    assert one.is_identical == (gain == 1.0 and noise_db is None)
    if noise_db is not None:
        assert one.difference_db == pytest.approx(noise_db, abs=0.2)


def test_sides_of_opposite_polarity_are_not_mono():
    assert not found(OneSounds(), healthy.noise(3, 1, seconds=1) * [1.0, -1.0]).found


def test_a_silent_side_is_not_mono():
    assert not found(OneSounds(), healthy.noise(3, 1, seconds=1) * [1.0, 0.0]).found


@pytest.mark.parametrize("name", ["music", "drums", "gated_drums", "tremolo", "two_performances"])
@pytest.mark.parametrize("level_db", [-40, -50])
@pytest.mark.parametrize("sign", [1, -1])
def test_a_constant_under_a_sound(name, level_db, sign):
    offset = sign * 10 ** (level_db / 20)
    constant = found(Constants(RATE_HZ, 2), healthy.SOUNDS[name]() + np.array([0.0, offset]))
    assert constant.found
    assert constant.offsets[1] == pytest.approx(offset, rel=0.12)
    assert abs(constant.offsets[0]) < 0.1 * abs(offset)


def test_a_small_constant_does_no_harm():
    constant = found(Constants(RATE_HZ, 2), healthy.drums() + 10 ** (-64 / 20))
    assert constant.largest_dbfs == pytest.approx(-64, abs=0.5)
    assert not constant.found


def test_drums_that_swing_to_one_side_have_no_constant():
    """Their mean over the whole is 18 times the least that counts."""
    t = healthy.times()
    audio = np.exp(-(t % 0.5) / 0.03)[:, None] * (1 + 0.1 * np.abs(healthy.noise(5))) * 0.3
    assert audio.mean() > 0.018
    assert not found(Constants(RATE_HZ, 2), audio + 1e-5 * healthy.noise(6)).found
