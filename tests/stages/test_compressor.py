"""The compressor's static curve, its pace, and what it listens to."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busproc.kernels import dynamics
from busproc.stages.compressor import RMS_WINDOW_MS, Compressor, keep_of
from busproc.stages.eq import Pass
from busproc.stages.parallel import Branch, Parallel
from tests import oracles
from tests.stages.probe import RATE_HZ, db, gain_curve, noise, sine, stereo, streamed

STATIC_DB = 0.001
READING_DB = 0.05  # of a 1 kHz sine by the RMS detector
PACE = 0.01  # of the stated time
ROUNDING_DB = 1e-6

curves = {
    "threshold_dbfs": st.floats(-80, 0),
    "ratio": st.floats(1, 100),
    "knee_db": st.floats(0, 40),
}


def instant(**curve):
    """A compressor that follows at once, so that its gain is its static curve."""
    return Compressor(**curve, attack_ms=0.0, release_ms=1.0, detector="peak")


def curve_db(level_db, threshold_dbfs, ratio, knee_db):
    return oracles.static_gain_db(level_db, threshold_dbfs, ratio, knee_db)


@settings(max_examples=60)
@given(level_db=st.floats(-80, 12), curve=st.fixed_dictionaries(curves))
def test_a_steady_level_is_turned_down_by_the_papers_formula(level_db, curve):
    steady = np.full((4, 2), 10 ** (level_db / 20))
    found = db(gain_curve(instant(**curve), steady)[-1])
    assert found == pytest.approx(curve_db(level_db, **curve), abs=STATIC_DB)


@settings(max_examples=20)
@given(
    curve=st.fixed_dictionaries(curves),
    attack_ms=st.floats(0, 50),
    release_ms=st.floats(1, 50),
    detector=st.sampled_from(["peak", "rms"]),
    seed=st.integers(0, 99),
)
def test_moving_sound_is_followed_as_the_paper_says(curve, attack_ms, release_ms, detector, seed):
    sound = noise(600, seed) * np.repeat([0.02, 1.0, 0.1], 200)[:, None]
    compressor = Compressor(**curve, attack_ms=attack_ms, release_ms=release_ms, detector=detector)
    if detector == "rms":
        window = RMS_WINDOW_MS * RATE_HZ / 1000
        level = np.max([oracles.running_rms(side, window) for side in sound.T], axis=0)
    else:
        level = np.abs(sound).max(axis=1)
    wanted = [-curve_db(value, **curve) for value in db(level)]
    frames = attack_ms * RATE_HZ / 1000, release_ms * RATE_HZ / 1000
    reduction = oracles.smooth_branching(wanted, *frames)
    np.testing.assert_allclose(db(gain_curve(compressor, sound)), -reduction, rtol=0, atol=ROUNDING_DB)


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
@pytest.mark.parametrize("time_ms", [1.0, 3.0, 10.0, 30.0, 100.0])
def test_attack_and_release_take_their_time_to_63_percent(rate_hz, time_ms):
    loud = round(12 * time_ms * rate_hz / 1000)
    steps = stereo(np.concatenate([np.full(10, 0.001), np.full(loud, 0.5), np.full(loud, 0.001)]))
    compressor = Compressor(
        threshold_dbfs=-30.0, ratio=4.0, attack_ms=time_ms, release_ms=time_ms, detector="peak"
    )
    reduction = -db(gain_curve(compressor, steps, rate_hz))
    full = reduction.max()
    for at, progress in ((10, reduction / full), (10 + loud, 1 - reduction / full)):
        frames = crossing(progress[at - 1 :], 1 - math.exp(-1))
        assert frames * 1000 / rate_hz == pytest.approx(time_ms, rel=PACE)


def crossing(rising, level):
    """Where a curve reaches a level, between its points."""
    after = int(np.argmax(rising >= level))
    return after - (rising[after] - level) / (rising[after] - rising[after - 1])


def test_no_attack_time_means_at_once():
    step = stereo(np.array([0.001, 0.5, 0.5]))
    curve = {"threshold_dbfs": -30.0, "ratio": 4.0, "knee_db": 0.0}
    found = db(gain_curve(instant(**curve), step))
    wanted = curve_db(db(0.5), **curve)
    np.testing.assert_allclose(found, [0, wanted, wanted], atol=ROUNDING_DB)


def test_both_sides_are_turned_down_alike():
    """Half is exact in a double, so the ratio of the sides must stay so to the last bit."""
    left = noise(RATE_HZ // 4)[:, 0]
    made = streamed(
        Compressor(threshold_dbfs=-40.0, attack_ms=0.1), np.column_stack([left, left / 2]), RATE_HZ
    )
    np.testing.assert_array_equal(made[:, 1], made[:, 0] / 2)


@pytest.mark.parametrize("side", [0, 1])
@pytest.mark.parametrize("detector", ["peak", "rms"])
def test_the_louder_side_decides_whichever_it_is(side, detector):
    both = stereo(sine(500, 4000, 0.8))
    one = both.copy()
    one[:, 1 - side] *= 0.1
    compressor = Compressor(threshold_dbfs=-30.0, attack_ms=1.0, detector=detector)
    np.testing.assert_array_equal(gain_curve(compressor, one), gain_curve(compressor, both))


def test_a_sine_reads_its_peak_on_the_rms_detector():
    power = dynamics.mean_square_of_each(
        stereo(sine(1000, RATE_HZ, 0.5)), keep_of(RMS_WINDOW_MS, RATE_HZ), np.zeros(2)
    )
    settled = 10 * np.log10(2 * power[:, RATE_HZ // 4 :]) - db(0.5)
    assert np.abs(settled).max() < READING_DB


def test_a_sine_is_turned_down_by_the_curve_at_its_peak():
    curve = {"threshold_dbfs": -26.0, "ratio": 4.0, "knee_db": 0.0}
    gain = db(gain_curve(Compressor(**curve), stereo(sine(1000, RATE_HZ, 0.5))))
    np.testing.assert_allclose(gain[RATE_HZ // 2 :], curve_db(db(0.5), **curve), atol=READING_DB)


def kick(frames=RATE_HZ):
    """Two strokes of a drum at 55 Hz, a quiet tone above."""
    since = np.arange(frames) % (RATE_HZ // 2) / RATE_HZ
    return stereo(sine(55, frames, 0.8) * np.exp(-8 * since) + sine(1000, frames, 0.05))


def high_pass(freq_hz):
    """A side chain that does not hear what lies below; all of it without a frequency."""
    return (Pass(shape="high_pass", freq_hz=freq_hz),) if freq_hz else ()


@pytest.mark.parametrize("detector", ["peak", "rms"])
def test_a_side_chain_high_pass_keeps_a_kick_from_pumping(detector):
    """Measured swing, peak detector: 12.3 dB without, 9.9 at 60, 6.6 at 90, 2.4 at 150, 1.1 at 200 Hz."""
    swings = []
    for freq_hz in (None, 60.0, 90.0, 150.0, 200.0):
        compressor = Compressor(
            threshold_dbfs=-24.0,
            ratio=4.0,
            attack_ms=10.0,
            release_ms=100.0,
            detector=detector,
            side_chain=high_pass(freq_hz),
        )
        swings.append(np.ptp(db(gain_curve(compressor, kick())[RATE_HZ // 2 :])))
    assert swings == sorted(swings, reverse=True)
    assert swings[0] > 12
    assert swings[2] < 8
    assert swings[4] < 1.2


def test_the_side_chain_high_pass_is_not_heard():
    """A bus under the threshold leaves at a gain of 1, its lows included."""
    bus = stereo(sine(20, 4000, 0.01))
    made = streamed(Compressor(side_chain=high_pass(200.0)), bus)
    np.testing.assert_array_equal(made, bus)


def test_a_key_from_elsewhere_decides_and_the_bus_does_not():
    keyed = Compressor(threshold_dbfs=-30.0, ratio=4.0, attack_ms=1.0, key={"from": "kick"})
    loud_bus, stroke = noise(3000), np.zeros((3000, 2))
    stroke[1000:2000] = 0.5
    gain = gain_curve(keyed, loud_bus, keys={"kick:after_chain": stroke})
    assert (gain[:1000] == 1).all()
    alone = keyed.model_copy(update={"key": None})
    np.testing.assert_array_equal(gain, gain_curve(alone, stroke))
    assert db(gain.min()) < -10


@settings(max_examples=15)
@given(mix=st.floats(0, 1), makeup_db=st.floats(-24, 24))
def test_mix_is_the_parallel_formula(mix, makeup_db):
    compressor = Compressor(threshold_dbfs=-30.0, ratio=4.0, attack_ms=1.0)
    bus = noise(1000)
    squeezed = gain_curve(compressor, bus) * 10 ** (makeup_db / 20)
    blended = gain_curve(compressor.model_copy(update={"mix": mix, "makeup_db": makeup_db}), bus)
    np.testing.assert_allclose(blended, (1 - mix) + mix * squeezed, rtol=1e-13)


def test_half_a_mix_is_a_branch_beside_the_bus():
    half_db = 20 * math.log10(0.5)
    compressor = Compressor(threshold_dbfs=-30.0, attack_ms=1.0)
    beside = Parallel(dry_db=half_db, branches=(Branch(level_db=half_db, stages=(compressor,)),))
    bus = noise(1000)
    mixed = streamed(compressor.model_copy(update={"mix": 0.5}), bus)
    np.testing.assert_allclose(mixed, streamed(beside, bus), rtol=1e-12)


def test_make_up_comes_after_the_reduction():
    quiet, loud = np.full((100, 2), 0.001), np.full((100, 2), 0.5)
    curve = {"threshold_dbfs": -30.0, "ratio": 4.0, "knee_db": 0.0}
    raised = instant(**curve).model_copy(update={"makeup_db": 5.0})
    assert db(gain_curve(raised, quiet)[-1]) == pytest.approx(5, abs=ROUNDING_DB)
    wanted = 5 + curve_db(db(0.5), **curve)
    assert db(gain_curve(raised, loud)[-1]) == pytest.approx(wanted, abs=ROUNDING_DB)


def test_a_low_tone_is_hardly_bent_by_default():
    """Measured: all harmonics of a 100 Hz tone, 8 dB over the threshold, together at -79 dB."""
    made = streamed(Compressor(), stereo(sine(100, RATE_HZ, 10 ** (-10 / 20))))[RATE_HZ // 2 :, 0]
    fundamental, *others = oracles.harmonic_amplitudes(made, 50, range(1, 20))
    assert db(math.hypot(*others) / fundamental) < -70
