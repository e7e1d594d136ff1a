"""Linear phase: the gain of the filter, the same delay for every frequency, on a grid of its own."""

from __future__ import annotations

import numpy as np
import pytest

from busproc.chain import process
from busproc.errors import InputError
from busproc.kernels import fourier
from busproc.stages import filters, linear_phase
from busproc.stages.context import Context
from busproc.stages.convolution import Convolve
from busproc.stages.eq import DynamicBell, Eq, Pass, Shaped
from busproc.stages.eq_bands import Notch, Tilt
from tests.contract.draw import run
from tests.stages.probe import RATE_HZ, db, noise

SAME_DB = 0.05
ROUNDING = 1e-14


def bell(freq_hz, gain_db=6.0, q=0.7071, on="left_right"):
    return Shaped(shape="bell", freq_hz=freq_hz, gain_db=gain_db, q=q, on=on)


def latency_frames(*bands, rate_hz=RATE_HZ):
    return Eq(bands=bands, phase="linear").plan(Context(rate_hz)).latency_frames


def taps_and_gain(band, rate_hz):
    """Impulse response, and the gain of the minimum-phase sections at 1 Hz steps or finer."""
    rows = tuple(band.sections(rate_hz, "analog"))
    taps = linear_phase.taps_of(rows, rate_hz)
    turns = fourier.turns_of(1 << 18)
    return taps, fourier.gains_of(filters.sections(list(rows)), turns)


BANDS = {
    "low bell": (bell(20.0, 12.0, 8.0), -60),
    "low cut": (bell(25.0, -12.0, 8.0), -60),
    "narrow": (bell(35.0, 6.0, 20.0), -60),  # it would fall between the frequencies of a short response
    "bell": (bell(300.0, -24.0, 3.0), -60),
    "high bell": (bell(12000.0, 9.0, 1.0), -60),
    "shelves": (Shaped(shape="low_shelf", freq_hz=60.0, gain_db=-18.0), -60),
    "tilt": (Tilt(shape="tilt", freq_hz=600.0, gain_db=5.0), -60),
    "rumble filter": (Pass(shape="high_pass", freq_hz=30.0, slope_db_per_octave=24), -60),
    "first order": (Pass(shape="high_pass", freq_hz=120.0, slope_db_per_octave=6), -60),
    "steep": (Pass(shape="high_pass", freq_hz=80.0, slope_db_per_octave=96), -50),
    "top off": (Pass(shape="low_pass", freq_hz=15000.0, slope_db_per_octave=48), -60),
    "notch": (Notch(shape="notch", freq_hz=1000.0, q=1.0), -40),
}


@pytest.mark.parametrize("name", BANDS)
def test_the_gain_is_that_of_minimum_phase_from_20_hz_up(name):
    """Down to a level where the filter goes to nothing; there, what is wrong lies 60 dB under full scale."""
    band, floor_db = BANDS[name]
    taps, wanted = taps_and_gain(band, RATE_HZ)
    size = 2 * (len(wanted) - 1)
    found = np.abs(np.fft.rfft(taps, size))
    heard = np.arange(len(wanted)) * RATE_HZ / size >= 20
    compared = heard & (db(wanted) > floor_db)
    assert np.abs(db(found) - db(wanted))[compared].max() <= SAME_DB
    assert np.abs(found - wanted)[heard & ~compared].max(initial=0) <= 10 ** (-60 / 20)


def test_the_gains_of_a_transforms_frequencies_are_those_of_the_sections():
    rows = [*filters.high_pass(40.0, 18, RATE_HZ), filters.bell(5000.0, 8.0, 2.0, RATE_HZ)]
    z = np.exp(-2j * np.pi * np.arange(513) / 1024)
    wanted = np.prod(
        [(b0 + z * (b1 + z * b2)) / (1 + z * (a1 + z * a2)) for b0, b1, b2, a1, a2 in rows], axis=0
    )
    found = fourier.gains_of(filters.sections(rows), fourier.turns_of(1024))
    np.testing.assert_allclose(found, np.abs(wanted), rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize("on", ["left_right", "mid", "side"])
def test_an_impulse_becomes_symmetric_about_itself(on):
    impulse = np.zeros((6001, 2))
    impulse[3000] = 1.0, 0.5
    eq = Eq(bands=(bell(900.0, 9.0, 1.0, on), bell(9000.0, -9.0)), phase="linear")
    out = process(eq, impulse, RATE_HZ)
    assert np.abs(out - impulse).max() > 0.1
    assert np.abs(out).max(axis=1).argmax() == 3000
    np.testing.assert_allclose(out, out[::-1], rtol=0, atol=ROUNDING)


def test_minimum_phase_is_not_symmetric():
    impulse = np.zeros((2001, 2))
    impulse[1000] = 1.0
    out = process(Eq(bands=(bell(900.0),)), impulse, RATE_HZ)
    assert np.abs(out - out[::-1]).max() > 0.01


@pytest.mark.parametrize(
    ("band", "milliseconds"),
    [
        (bell(10000.0), 16),
        (bell(1000.0), 16),
        (bell(100.0), 64),
        (bell(20.0), 171),
        (bell(20.0, 12.0, 8.0), 1451),
        (Pass(shape="high_pass", freq_hz=30.0, slope_db_per_octave=12), 128),
    ],
)
def test_the_lower_and_narrower_a_band_the_later_the_sound(band, milliseconds):
    assert latency_frames(band) / RATE_HZ * 1000 == pytest.approx(milliseconds, abs=0.5)


def test_the_lowest_band_of_an_eq_decides_its_latency_and_nothing_costs_nothing():
    assert latency_frames(bell(10000.0), bell(100.0), bell(1000.0)) == latency_frames(bell(100.0))
    assert latency_frames() == latency_frames(bell(100.0, gain_db=0.0)) == 0


@pytest.mark.parametrize("blocks", [1, 7, 64, 1000, 4096, 5001])
def test_block_size_does_not_matter(blocks):
    """Four blocks of the convolution's own grid, two partitions, both ways between the sides."""
    eq = Eq(bands=(bell(60.0), bell(500.0, on="mid")), phase="linear")
    lanes = np.stack([noise(17000, seed) for seed in (1, 2)], axis=1)[: 17000 if blocks > 60 else 5000]
    np.testing.assert_array_equal(run(eq, lanes, blocks=blocks), run(eq, lanes))


@pytest.mark.parametrize("taps", [64, 192, 256])
@pytest.mark.parametrize("cross", [True, False])
def test_partitions_give_what_plain_convolution_gives(taps, cross):
    same, other = noise(taps, seed=3).T.copy()
    treatment = Convolve(same, other if cross else np.zeros(0), block_frames=64, middle_frames=0)
    sound = noise(1000, seed=4)
    found = treatment.apply(treatment.start(1), None, sound[:, None])[:, 0]
    wanted = [
        np.convolve(near, same) + (np.convolve(far, other) if cross else 0)
        for near, far in (sound.T, sound.T[::-1])
    ]
    np.testing.assert_allclose(found[64:], np.transpose(wanted)[: 1000 - 64], rtol=0, atol=1e-12)
    assert not found[:64].any()


@pytest.mark.parametrize(("on", "sign"), [("mid", -1), ("side", 1)])
def test_a_band_on_one_leaves_the_other_alone(on, sign):
    sound = noise(4000)
    out = process(Eq(bands=(bell(900.0, 9.0, on=on),), phase="linear"), sound, RATE_HZ)
    np.testing.assert_allclose(out @ [1, sign], sound @ [1, sign], rtol=0, atol=ROUNDING)
    assert np.abs(out @ [1, -sign] - sound @ [1, -sign]).max() > 0.1


def test_mid_and_side_with_the_same_band_are_left_and_right():
    sound = noise(4000)
    apart = Eq(bands=(bell(900.0, on="mid"), bell(900.0, on="side")), phase="linear")
    together = Eq(bands=(bell(900.0),), phase="linear")
    wanted = process(together, sound, RATE_HZ)
    np.testing.assert_allclose(process(apart, sound, RATE_HZ), wanted, rtol=0, atol=ROUNDING)


@pytest.mark.parametrize("size", [8, 16, 64, 4096])
def test_the_transform_is_fouriers(size):
    x = noise(size).T.copy()
    re, im = fourier.transform(x, fourier.turns_of(size))
    wanted = np.fft.fft(x[0] + 1j * x[1])
    np.testing.assert_allclose(re + 1j * im, wanted, rtol=0, atol=1e-15 * size)


def test_the_turns_are_exact_to_the_last_bits():
    size = 1 << 16
    wanted = np.exp(-2j * np.pi * np.arange(size // 2) / size)
    turns = fourier.turns_of(size)
    np.testing.assert_allclose(turns[0] + 1j * turns[1], wanted, rtol=0, atol=3 * np.finfo(float).eps)


def test_a_dynamic_bell_with_linear_phase_is_refused():
    band = DynamicBell(shape="dynamic_bell", freq_hz=3000.0, threshold_dbfs=-30.0)
    with pytest.raises(
        InputError, match=r"mix_bus\.stages\[2\]: a dynamic bell cannot have linear phase; put it"
    ):
        Eq(bands=(band,), phase="linear").plan(Context(RATE_HZ, "mix_bus.stages[2]"))
