"""Dither and rounding.

Source: Lipshitz, Wannamaker, Vanderkooy, "Quantization and Dither: A Theoretical Survey", JAES 40(5), May
1992: the total error of triangular dither of 2 LSB peak to peak has mean 0 and variance d^2/4 for any input.
"""

import math

import numpy as np
import pytest

from busproc.errors import RenderError
from busproc.files import count_overs, quantise
from busproc.kernels import dither as kernels

FRAMES = 400_000
STANDARD_ERRORS = 5
# The squared error scatters most for inputs on the grid, where it is 1 with probability 1/4 and 0 otherwise.
SQUARED_ERROR_DEVIATION = math.sqrt(1 / 4 * 3 / 4)


def errors_lsb(dc_lsb, bits, **settings):
    """Quantise a constant in both channels; the error in steps, (FRAMES, 2)."""
    step = 2.0 ** (1 - bits)
    block = np.full((FRAMES, 2), dc_lsb * step)
    return quantise(block, bits, 0, dither=True, **settings) - dc_lsb


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("offset_lsb", [0.0, 0.125, 0.25, 0.375, 0.5, 0.9])
def test_mean_and_variance_of_the_error_do_not_depend_on_the_input(bits, offset_lsb):
    for base_lsb in (-1_000, 20_000):
        error = errors_lsb(base_lsb + offset_lsb, bits).ravel()
        assert abs(error.mean()) < STANDARD_ERRORS * 0.5 / math.sqrt(error.size)
        tolerance = STANDARD_ERRORS * SQUARED_ERROR_DEVIATION / math.sqrt(error.size)
        assert abs(error.var() - 0.25) < tolerance


@pytest.mark.parametrize(("bits", "total_db"), [(16, -96.330), (24, -144.494)])
def test_the_total_noise_of_a_moving_input_is_three_times_that_of_rounding(bits, total_db):
    """10 lg(d^2/4), re full scale 1.0 squared, computed from the source: -96.330 and -144.494 dB."""
    phase = np.arange(FRAMES) * 0.123
    block = 0.5 * np.stack([np.sin(phase), np.sin(1.7 * phase)], axis=1)
    error = quantise(block, bits, 0, dither=True) * 2.0 ** (1 - bits) - block
    sampling_db = STANDARD_ERRORS * 10 / math.log(10) * SQUARED_ERROR_DEVIATION / 0.25 / math.sqrt(error.size)
    assert abs(10 * math.log10(np.mean(error**2)) - total_db) < sampling_db + 0.0005


def test_the_dither_is_triangular_and_two_steps_wide():
    """On the grid, noise n rounds to -1, 0, 1 with the triangle's areas 1/8, 3/4, 1/8."""
    error = errors_lsb(100, 24).ravel()
    values, counts = np.unique(error, return_counts=True)
    assert values.tolist() == [-1, 0, 1]
    tolerance = STANDARD_ERRORS * 0.5 / math.sqrt(error.size)
    assert np.abs(counts / error.size - [0.125, 0.75, 0.125]).max() < tolerance


def correlation(first, second):
    return abs(np.corrcoef(first, second)[0, 1])


def test_channels_frames_and_seeds_are_independent_of_each_other():
    error = errors_lsb(100.3, 24)
    other_seed = errors_lsb(100.3, 24, seed=1)
    limit = STANDARD_ERRORS / math.sqrt(FRAMES - 10)
    left, right = error.T
    assert correlation(left, right) < limit
    assert correlation(left**2, right**2) < limit
    assert correlation(left, other_seed[:, 0]) < limit
    assert correlation(left, other_seed[:, 1]) < limit
    for lag in range(1, 11):
        assert correlation(left[lag:], left[:-lag]) < limit
        assert correlation(left[lag:], right[:-lag]) < limit
        assert correlation(left[lag:] ** 2, left[:-lag] ** 2) < limit


@pytest.fixture(scope="module")
def music():
    block = np.random.default_rng(5).normal(0, 0.1, (10_000, 2))
    block[3_000:3_500] = 0.0
    block.flags.writeable = False
    return block


@pytest.mark.parametrize("dither", [True, False])
@pytest.mark.parametrize("block_frames", [1, 7, 64, 1_000, 4_096])
def test_block_size_does_not_matter(music, dither, block_frames):
    whole = quantise(music, 24, 0, dither=dither)
    pieces = [
        quantise(music[start : start + block_frames], 24, start, dither=dither)
        for start in range(0, len(music), block_frames)
    ]
    assert np.array_equal(np.concatenate(pieces), whole)


def test_a_passage_gets_the_bits_it_has_in_the_whole(music):
    whole = quantise(music, 16, 0, dither=True)
    assert np.array_equal(quantise(music[4_321:5_432], 16, 4_321, dither=True), whole[4_321:5_432])
    assert not np.array_equal(quantise(music[4_321:5_432], 16, 0, dither=True), whole[4_321:5_432])


def test_a_channel_gets_the_noise_it_has_beside_another(music):
    alone = quantise(music[:, :1].copy(), 16, 0, dither=True)
    assert np.array_equal(alone, quantise(music, 16, 0, dither=True)[:, :1])


def test_digital_silence_stays_silent(music):
    quantised = quantise(music, 16, 0, dither=True)
    assert not quantised[3_000:3_500].any()
    assert not quantise(np.full((100, 1), -0.0), 24, 0, dither=True).any()


@pytest.mark.parametrize("seed", range(8))
def test_a_single_silent_frame_stays_silent(seed):
    block = np.full((100, 1), 0.3)
    block[50] = 0.0
    assert quantise(block, 16, 0, dither=True, seed=seed)[50] == 0


def test_the_last_breath_of_a_filter_is_silence_too():
    """Under -400 dBFS; a stem that has gone quiet earlier could not share the noise."""
    breath = np.full((1000, 2), 9e-21)
    assert not quantise(breath, 16, 0, dither=True).any()
    assert quantise(2 * breath, 16, 0, dither=True).any()


def test_a_silent_channel_beside_a_sounding_one_is_dithered(music):
    block = np.stack([music[:3_000, 0], np.zeros(3_000)], axis=1)
    quiet = quantise(block, 16, 0, dither=True)[:, 1]
    assert set(quiet.tolist()) == {-1, 0, 1}


@pytest.mark.parametrize("bits", [16, 24, 32])
def test_values_on_the_grid_come_back_exactly_without_dither(bits):
    high = 2 ** (bits - 1)
    integers = np.random.default_rng(2).integers(-high, high, (10_000, 2))
    integers[0] = -high, high - 1
    assert np.array_equal(quantise(integers / high, bits, 0, dither=False), integers)


def test_rounding_is_to_the_nearest_and_halves_go_to_even():
    steps = np.array([[-0.4, 0.6, -0.6, 0.4, 0.5, 1.5, 2.5, -0.5, -1.5, -2.5]])
    assert quantise(steps / 2**23, 24, 0, dither=False).tolist() == [[0, 1, -1, 0, 0, 2, 2, 0, -2, -2]]


@pytest.mark.parametrize("bits", [16, 24, 32])
def test_exact_full_scale_is_held_at_the_ends_of_the_range(bits):
    high = 2 ** (bits - 1)
    ends = np.tile([1.0, -1.0], (2_000, 1))
    assert np.array_equal(quantise(ends[:1], bits, 0, dither=False), [[high - 1, -high]])
    dithered = quantise(ends, bits, 0, dither=True).astype(np.int64)
    assert set(dithered[:, 0].tolist()) == {high - 1}
    assert set(dithered[:, 1].tolist()) == {-high, -high + 1}


def test_a_peak_over_full_scale_is_refused_with_its_level(music):
    block = music.copy()
    block[17, 1] = -(10 ** (1.23 / 20))
    block[18, 0] = 1.0001
    said = (
        r"peaks at \+1\.23 dBFS in frames 500 to 10499 \(2 samples over full scale\), which 24-bit .* turn it"
    )
    for dither in (True, False):
        with pytest.raises(RenderError, match=said):
            quantise(block, 24, 500, dither=dither)


def test_the_least_over_is_refused():
    block = np.array([[math.nextafter(1.0, 2.0)]])
    assert count_overs(block) == 1
    with pytest.raises(RenderError, match="over full scale"):
        quantise(block, 16, 0, dither=True)


def test_overs_are_counted_in_both_directions_and_full_scale_is_none():
    assert count_overs(np.array([[1.0, -1.0], [1.1, -1.1], [-5.0, 0.0]])) == 3


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_what_is_no_number_is_refused(music, value):
    block = music.copy()
    block[9, 0] = value
    with pytest.raises(RenderError, match="not a finite number somewhere in frames 0 to 9999"):
        quantise(block, 24, 0, dither=True)


def test_an_empty_block_gives_an_empty_block():
    assert quantise(np.zeros((0, 2)), 24, 0, dither=True).shape == (0, 2)


@pytest.mark.parametrize("first_frame", [0, 2**33])
def test_the_kernels_do_compiled_what_they_do_in_python(music, first_frame):
    block = np.ascontiguousarray(music[2_990:3_010])
    dithered, plain = (np.empty(block.shape, np.int32) for _ in range(2))
    with np.errstate(over="ignore"):  # 64-bit products wrap, as they should
        kernels.quantise_dithered.py_func(block, 2.0**23, first_frame, 11, dithered)
    kernels.quantise_plain.py_func(block, 2.0**23, plain)
    assert np.array_equal(quantise(block, 24, first_frame, dither=True, seed=11), dithered)
    assert np.array_equal(quantise(block, 24, first_frame, dither=False), plain)


def test_the_hash_is_splitmix64():
    """First outputs for seed 0, as widely printed (from memory): e220a839.., 6e789e6a.., 06c45d18.."""
    golden = 0x9E3779B97F4A7C15
    states = [np.uint64(k * golden % 2**64) for k in range(3)]
    assert [int(kernels.hash64(state)) for state in states] == [
        0xE220A8397B1DCDAF,
        0x6E789E6AA1B965F4,
        0x06C45D188009454F,
    ]
