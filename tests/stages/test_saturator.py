"""The saturator's harmonics, what folds back, and what it leaves alone."""

from __future__ import annotations

import math

import numpy as np
import pytest

from busproc.kernels import shape
from busproc.stages.context import Context
from busproc.stages.saturator import Saturator, harmonic_db
from tests import oracles
from tests.stages.probe import RATE_HZ, db, noise, second_lane, sine, stereo, streamed

FRAMES = 1 << 14
SETTLED = slice(2000, 2000 + FRAMES)
TOP_HZ = 20000
HARMONIC_DB = 0.1

# Worst line under 20 kHz that is no harmonic, dBFS: a full-scale sine at 48 kHz, drive 12 dB, by factor.
# Measured at 10 kHz: -42.7, -76.1, -136.3, -172.5; at 15 kHz: -35.9, -56.1, -96.2, -164.9.
WORST_ALIAS_DBFS = {
    (10000, 2): -42,
    (10000, 4): -75,
    (10000, 8): -130,
    (10000, 16): -160,
    (15000, 2): -35,
    (15000, 4): -55,
    (15000, 8): -95,
    (15000, 16): -155,
}


def whole_cycles(freq_hz):
    """An odd number of cycles in FRAMES, so that no alias falls on a harmonic."""
    return round(freq_hz * FRAMES / RATE_HZ) | 1


def bent(saturator, cycles, amplitude):
    """One side of a settled sine with so many cycles in FRAMES."""
    wave = sine(cycles * RATE_HZ / FRAMES, FRAMES + 4000, amplitude)
    return streamed(saturator, stereo(wave))[SETTLED, 0]


@pytest.mark.parametrize(("freq_hz", "factor"), WORST_ALIAS_DBFS)
def test_harmonics_hardly_fold_back(freq_hz, factor):
    cycles = whole_cycles(freq_hz)
    lines = np.abs(np.fft.rfft(bent(Saturator(drive_db=12.0, oversampling=factor), cycles, 1.0))) * 2 / FRAMES
    lines[::cycles] = 0
    worst = db(lines[: TOP_HZ * FRAMES // RATE_HZ].max())
    assert worst <= WORST_ALIAS_DBFS[freq_hz, factor]


@pytest.mark.parametrize("amplitude", [0.003, 0.01, 0.03, 0.1])
def test_the_third_harmonic_of_quiet_sound_follows_the_taylor_series(amplitude):
    """From tanh x = x - x^3/3 + ..: the third harmonic is A^2/12 of the fundamental."""
    first, third = oracles.harmonic_amplitudes(
        bent(Saturator(drive_db=0.0), whole_cycles(700), amplitude), whole_cycles(700), (1, 3)
    )
    assert db(third / first) == pytest.approx(db(amplitude**2 / 12), abs=HARMONIC_DB)


@pytest.mark.parametrize("drive_db", [0.0, 6.0, 20.0])
def test_drive_moves_into_the_bend_and_gives_the_level_back(drive_db):
    """As y = tanh(drive x)/drive, twice the drive bends as twice the sound would, at half the level."""
    cycles = whole_cycles(700)
    drive = 10 ** (drive_db / 20)
    driven = bent(Saturator(drive_db=drive_db, oversampling=16), cycles, 0.5)
    wanted = np.tanh(drive * sine(cycles * RATE_HZ / FRAMES, FRAMES + 4000, 0.5)[SETTLED]) / drive
    orders = range(1, 20)
    np.testing.assert_allclose(
        oracles.harmonic_amplitudes(driven, cycles, orders),
        oracles.harmonic_amplitudes(wanted, cycles, orders),
        atol=1e-5,  # the plain tanh of the oracle folds back, ours does not
    )


def test_only_odd_harmonics_come():
    cycles = whole_cycles(700)
    made = bent(Saturator(drive_db=12.0), cycles, 1.0)
    first, *even = oracles.harmonic_amplitudes(made, cycles, (1, 2, 4, 6, 8))
    assert db(max(even) / first) < -200


def test_mix_is_the_share_of_the_bent_wave():
    sound = noise(3000)
    full, half = (streamed(Saturator(drive_db=12.0, mix=mix), sound) for mix in (1.0, 0.5))
    np.testing.assert_allclose(half - sound, (full - sound) / 2, atol=1e-14)


@pytest.mark.parametrize("factor", [1, 2, 4, 8, 16, 32])
@pytest.mark.parametrize("freq_hz", [20, 1000, 15000, 20000, 22000, 23500])
def test_nearly_neutral_it_is_flat_to_the_very_top(factor, freq_hz):
    """At -60 dBFS the curve takes 2e-6 dB; a plain way there and back would lose 16 dB at 22 kHz."""
    cycles = whole_cycles(freq_hz)
    made = bent(Saturator(drive_db=0.0, oversampling=factor), cycles, 0.001)
    (level,) = oracles.harmonic_amplitudes(made, cycles, (1,))
    assert db(level / 0.001) == pytest.approx(0, abs=0.01)


def test_very_quiet_sound_passes_bit_for_bit():
    faint = noise(2000, level=1e-9)
    np.testing.assert_array_equal(streamed(Saturator(drive_db=12.0), faint), faint)


def test_a_stem_gets_the_ratio_of_the_bus_and_silence_gets_nothing():
    bus, stem = stereo(sine(100, 4000)), stereo(sine(1000, 4000, 0.1))
    saturator = Saturator(drive_db=12.0)
    beside, rest = (second_lane(saturator, bus, part) for part in (stem, bus - stem))
    np.testing.assert_allclose(beside + rest, streamed(saturator, bus), atol=1e-13)
    assert not second_lane(saturator, bus, np.zeros_like(bus)).any()


def test_the_sides_are_bent_apart():
    sound = noise(3000)
    alone = sound * [1, 0]
    saturator = Saturator(drive_db=12.0)
    np.testing.assert_array_equal(streamed(saturator, alone)[:, 0], streamed(saturator, sound)[:, 0])
    assert not streamed(saturator, alone)[:, 1].any()


def test_the_kernel_is_the_quotient():
    x = np.concatenate([noise(200), noise(50, level=1e-3), noise(20, level=1e-12), np.zeros((1, 2))])
    found = shape.tanh_ratio(x, 4.0, 0.7)
    wanted = [[1 + 0.7 * (math.tanh(4 * v) / (4 * v) - 1) if v else 1.0 for v in frame] for frame in x]
    np.testing.assert_allclose(found, wanted, rtol=1e-15)


@pytest.mark.parametrize(
    ("factor", "latency_frames"), [(1, 0), (2, 104), (4, 114), (8, 118), (16, 120), (32, 122)]
)
def test_the_latency_is_that_of_the_filters(factor, latency_frames):
    """Twice the reach of each half-band filter: 52, 10/2, 8/4, 8/8 and 16/16 base frames."""
    assert Saturator(oversampling=factor).plan(Context(RATE_HZ)).latency_frames == latency_frames


@pytest.mark.parametrize("mix", [0.3, 1.0])
@pytest.mark.parametrize("amplitude", [0.1, 0.8])
def test_the_log_states_the_harmonic_that_is_there(mix, amplitude):
    cycles = whole_cycles(700)
    made = bent(Saturator(drive_db=9.0, mix=mix), cycles, amplitude)
    first, third = oracles.harmonic_amplitudes(made, cycles, (1, 3))
    assert harmonic_db(amplitude, 10 ** (9 / 20), mix, 3) == pytest.approx(db(third / first), abs=0.01)
