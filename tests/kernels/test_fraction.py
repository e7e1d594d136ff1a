"""A stream held back by part of a frame: the same bits in any block, flat and on time to 20 kHz."""

from __future__ import annotations

import numpy as np
import pytest
import soxr
from scipy import signal

from busproc.kernels import fraction

FRAMES = 700
PARTS = [1e-9, 0.01, 0.25, 0.5, 0.77, 0.999]


def noise(frames=FRAMES, columns=2, seed=0):
    return np.random.default_rng(seed).uniform(-1, 1, (frames, columns))


def held_back(part, x, size=None):
    memory, size = fraction.start(x.shape[1]), size or len(x)
    taps = fraction.taps_of(part)
    return np.concatenate(
        [fraction.hold_back(taps, memory, x[at : at + size]) for at in range(0, len(x), size)]
    )


def response(part, freqs_hz, rate_hz):
    """What the filter multiplies sines by, from its response to a single frame, and what it should."""
    click = np.zeros((200, 1))
    click[0] = 1
    made = signal.freqz(held_back(part, click)[:, 0], worN=freqs_hz, fs=rate_hz)[1]
    wanted = np.exp(-2j * np.pi * freqs_hz / rate_hz * (fraction.LATENCY_FRAMES + part))
    return made, wanted


@pytest.mark.parametrize("part", [0.0, 0.3])
@pytest.mark.parametrize("size", [1, 7, 64, 500])
@pytest.mark.parametrize("columns", [1, 2, 3, 6])
def test_the_block_does_not_matter(part, size, columns):
    x = noise(columns=columns)
    assert held_back(part, x, size).tobytes() == held_back(part, x).tobytes()


@pytest.mark.parametrize("part", [0.0, 0.3])
@pytest.mark.parametrize("columns", [2, 3, 6])
def test_other_columns_do_not_matter(part, columns):
    x = noise(columns=columns)
    whole = held_back(part, x)
    for c in range(columns):
        assert (
            held_back(part, x[:, c : c + 1]).tobytes() == np.ascontiguousarray(whole[:, c : c + 1]).tobytes()
        )


def test_without_a_part_the_bits_come_back():
    x = noise()
    x[::7] = -0.0
    x[50] = np.inf
    made = held_back(0.0, x)
    assert made[fraction.LATENCY_FRAMES :].tobytes() == x[: -fraction.LATENCY_FRAMES].tobytes()
    assert not made[: fraction.LATENCY_FRAMES].any()


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize(("rate_hz", "error_db"), [(44100, -116), (48000, -121), (96000, -121)])
def test_it_is_flat_and_on_time_to_20_khz(part, rate_hz, error_db):
    freqs_hz = np.linspace(1, 20000, 2000)
    made, wanted = response(part, freqs_hz, rate_hz)
    assert np.abs(20 * np.log10(np.abs(made))).max() < 0.0001
    assert np.abs(np.degrees(np.angle(made / wanted))).max() < 0.0001
    assert 20 * np.log10(np.abs(made - wanted).max()) < error_db


@pytest.mark.parametrize("part", PARTS)
def test_a_constant_passes_unchanged(part):
    np.testing.assert_allclose(held_back(part, np.ones((300, 1)))[200:], 1, rtol=1e-14)


@pytest.mark.parametrize("part", [0.05, 0.3, 0.5, 0.95])
def test_it_is_the_delay_of_a_resampler(part):
    """Of 20 times the rate by soxr, delayed by whole frames there and thinned out."""
    audio = signal.sosfilt(signal.butter(8, 15000, fs=48000, output="sos"), noise(20000)[:, 0])
    fine = soxr.resample(audio, 48000, 20 * 48000, "VHQ")
    expected = np.concatenate([np.zeros(round(20 * part)), fine])[::20][: len(audio)]
    made = held_back(part, audio[:, None])[fraction.LATENCY_FRAMES :, 0]
    np.testing.assert_allclose(made[500:-500], expected[500 : len(made) - 500], atol=1e-5)


@pytest.mark.parametrize("part", [0.1, 0.5])
def test_it_is_the_convolution_with_its_taps(part):
    x = noise()
    for made, column in zip(held_back(part, x).T, x.T, strict=True):
        full = np.convolve(column, fraction.taps_of(part)[::-1])
        np.testing.assert_allclose(made, full[:FRAMES], atol=1e-14)


def test_silence_comes_back_after_the_sound():
    made = held_back(0.4, np.concatenate([noise(50), np.zeros((400, 2))]))
    assert made[:177].all()
    assert not made[177:].any()


@pytest.mark.parametrize("delay", [-400.7, -0.3, -1e-20, 0.0, 0.3, 12.0, 400.99])
def test_a_delay_is_its_parts(delay):
    whole, part = fraction.parted(delay)
    assert isinstance(whole, int)
    assert 0 <= part < 1
    assert whole + part == pytest.approx(delay, abs=1e-12)
