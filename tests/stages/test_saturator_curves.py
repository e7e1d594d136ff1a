"""Each curve of the saturator: its harmonics, what folds back, its offset, its tone, its loudness."""

from __future__ import annotations

import math
from decimal import Decimal, localcontext

import numpy as np
import pytest

from busproc.chain import process
from busproc.kernels import curves
from busproc.rendering import render
from busproc.stages.context import Context
from busproc.stages.saturator import CURVES, Bend, Bent, Saturator, harmonic_db
from tests import oracles, songs
from tests.stages.probe import RATE_HZ, db, noise, sine, stereo, streamed

FRAMES = 1 << 14
CYCLES = 171  # 501 Hz: an odd number, so no alias falls on a harmonic
SETTLED = slice(2000, 2000 + FRAMES)
HARMONIC_DB = 0.1
MATCHED_LU = 0.05
TOP_HZ = 20000

every_curve = pytest.mark.parametrize("curve", CURVES)


def bent(saturator, amplitude, cycles=CYCLES, rate_hz=RATE_HZ, settle=2000):
    """One side of a settled sine with so many cycles in FRAMES."""
    wave = amplitude * np.sin(2 * np.pi * cycles / FRAMES * np.arange(settle + FRAMES + 2000))
    return process(saturator, stereo(wave), rate_hz)[settle : settle + FRAMES, 0]


def worst_alias_dbfs(saturator, freq_hz, rate_hz):
    """The loudest line to 20 kHz that is no harmonic of a full-scale sine, over sines near `freq_hz`."""
    worst = -400.0
    settle = (
        rate_hz if saturator.curve == "asymmetric" else 2000
    )  # until nothing of the block's start is left
    for offset in (0, 38, 74):
        cycles = round(freq_hz * FRAMES / rate_hz) + offset | 1
        lines = np.abs(np.fft.rfft(bent(saturator, 1.0, cycles, rate_hz, settle))) * 2 / FRAMES
        lines[::cycles] = 0
        worst = max(
            worst, db(lines[4 : TOP_HZ * FRAMES // rate_hz].max())
        )  # under 12 Hz: the DC block settles
    return worst


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
@pytest.mark.parametrize(
    ("curve", "bound_dbfs"), [("tanh", -120), ("asymmetric", -110), ("cubic", -100), ("clip", -70)]
)
def test_with_12_db_of_drive_automatic_oversampling_keeps_what_folds_back_under_its_bound(
    curve, bound_dbfs, rate_hz
):
    assert worst_alias_dbfs(Saturator(curve=curve, drive_db=12.0), 10000, rate_hz) < bound_dbfs


@pytest.mark.parametrize(("drive_db", "tone_db"), [(18.0, 0.0), (24.0, 0.0), (6.0, 6.0), (12.0, 6.0)])
@pytest.mark.parametrize("curve", ["tanh", "asymmetric"])
def test_more_drive_or_a_brighter_tone_is_oversampled_more(curve, drive_db, tone_db):
    saturator = Saturator(curve=curve, drive_db=drive_db, tone_db=tone_db)
    assert worst_alias_dbfs(saturator, 10000, RATE_HZ) < -100


@pytest.mark.parametrize(
    ("settings", "rate_hz", "factor"),
    [
        ({}, 44100, 8),
        ({"drive_db": 12.0}, 48000, 8),
        ({"drive_db": 12.1}, 48000, 16),
        ({"drive_db": 12.0, "tone_db": 3.0}, 48000, 16),
        ({"drive_db": 12.0, "tone_db": -3.0}, 48000, 8),
        ({"drive_db": 18.1}, 48000, 32),
        ({"curve": "cubic", "drive_db": 0.0}, 48000, 32),
        ({"curve": "clip", "drive_db": 0.0}, 48000, 32),
        ({"curve": "clip"}, 96000, 16),
        ({}, 88200, 4),
        ({}, 192000, 2),
        ({}, 8000, 8),
        ({"curve": "clip", "oversampling": 1}, 48000, 1),
    ],
)
def test_the_factor_follows_curve_drive_tone_and_rate(settings, rate_hz, factor):
    saturator = Saturator(**settings)
    assert saturator.factor_at(rate_hz) == factor
    assert saturator.plan(Context(rate_hz)).treatment.factor == factor


# Third harmonic of u - u^3/3 against the fundamental, A: dB. Computed from the Chebyshev polynomial T3 =
# 4x^3 - 3x: (A^3/12) / (A - A^3/4).
CUBIC_THIRD_DB = {0.1: -61.5619, 0.25: -45.5292, 0.5: -33.0643, 1.0: -19.0849}


@pytest.mark.parametrize("amplitude", CUBIC_THIRD_DB)
def test_the_cubic_has_the_third_harmonic_of_its_polynomial_and_no_other(amplitude):
    made = bent(Saturator(curve="cubic", drive_db=0.0), amplitude)
    first, second, third, fourth, fifth = oracles.harmonic_amplitudes(made, CYCLES, range(1, 6))
    assert db(third / first) == pytest.approx(CUBIC_THIRD_DB[amplitude], abs=HARMONIC_DB)
    assert db(max(second, fourth, fifth) / first) < -140


@pytest.mark.parametrize("amplitude", [0.003, 0.01, 0.03])
@pytest.mark.parametrize("bias", [-0.6, 0.15, 0.3, 0.9])
def test_harmonics_of_the_asymmetric_curve_follow_its_taylor_series(amplitude, bias):
    """f(u) / f'(0) = u - s u^2 + (s^2 - 1/3) u^3 .. with s = tanh(bias): A s/2 and A^2 (s^2 - 1/3) / 4."""
    made = bent(Saturator(curve="asymmetric", bias=bias, drive_db=0.0), amplitude, settle=RATE_HZ)
    first, second, third = oracles.harmonic_amplitudes(made, CYCLES, (1, 2, 3))
    slant = math.tanh(bias)
    assert db(second / first) == pytest.approx(db(amplitude * slant / 2), abs=HARMONIC_DB)
    assert db(third / first) == pytest.approx(db(amplitude**2 * (slant**2 - 1 / 3) / 4), abs=HARMONIC_DB)


@pytest.mark.parametrize("drive_db", [2.0, 6.0, 20.0])
def test_the_clip_has_the_harmonics_of_a_sine_cut_off(drive_db):
    """Textbook: with sin(a) = 1/A, odd k: 4/pi times the integrals of A sin and of 1 times sin(k t)."""
    amplitude = 10 ** (drive_db / 20)
    a = math.asin(1 / amplitude)

    def part(k):
        inside = (
            amplitude * (a / 2 - math.sin(2 * a) / 4)
            if k == 1
            else amplitude * (math.sin((k - 1) * a) / (2 * (k - 1)) - math.sin((k + 1) * a) / (2 * (k + 1)))
        )
        return 4 / math.pi * (inside + math.cos(k * a) / k) / amplitude

    made = bent(Saturator(curve="clip", drive_db=drive_db), 1.0)
    for order, found in zip((1, 3, 5), oracles.harmonic_amplitudes(made, CYCLES, (1, 3, 5)), strict=True):
        assert db(found) == pytest.approx(db(part(order)), abs=HARMONIC_DB)


def test_the_clip_leaves_alone_what_stays_under_full_scale_once_driven():
    quiet = noise(3000, level=0.2)  # between samples it stays under 0.5
    np.testing.assert_array_equal(process(Saturator(curve="clip", drive_db=6.0), quiet, RATE_HZ), quiet)


@every_curve
def test_quiet_sound_passes_at_its_level(curve):
    made = bent(Saturator(curve=curve, drive_db=20.0, bias=0.8), 1e-5, settle=RATE_HZ)
    (level,) = oracles.harmonic_amplitudes(made, CYCLES, (1,))
    assert db(level / 1e-5) == pytest.approx(0, abs=0.001)


@every_curve
@pytest.mark.parametrize("amplitude", [0.1, 0.8])
def test_the_log_states_the_harmonics_that_are_there(curve, amplitude):
    saturator = Saturator(curve=curve, drive_db=9.0, mix=0.8, oversampling=32)
    first, *others = oracles.harmonic_amplitudes(
        bent(saturator, amplitude, settle=RATE_HZ), CYCLES, range(1, 6)
    )
    stated = saturator.harmonics_db(20 * math.log10(amplitude))
    for order, amount in zip(range(2, 6), others, strict=True):
        if amount > 1e-7 * first:
            assert stated[order] == pytest.approx(db(amount / first), abs=0.02)
        else:
            assert stated[order] is None


def exact_asymmetric(u, bias):
    """(tanh(u + b) - tanh(b)) / (u f'(0)) with 400 digits."""
    with localcontext() as context:
        context.prec = 400

        def tanh(x):
            grown = (2 * x).exp()
            return (grown - 1) / (grown + 1)

        u, bias = Decimal(u), Decimal(bias)
        return float((tanh(u + bias) - tanh(bias)) / (u * (1 - tanh(bias) ** 2)))


@pytest.mark.parametrize("bias", [-1.0, 0.15, 0.6])
def test_the_asymmetric_ratio_is_exact_down_to_nothing(bias):
    """The plain quotient is wrong by 1e-8 at 1e-9, by 2 % at 1e-15, altogether at 1e-300."""
    values = [sign * 10.0**power for power in (-300, -15, -12, -11, -9, -6, -3, -1, 0, 1) for sign in (1, -1)]
    x = np.array(values).reshape(-1, 2)
    wanted = [[exact_asymmetric(value, bias) for value in frame] for frame in x]
    np.testing.assert_allclose(curves.asymmetric_ratio(x, 1.0, 1.0, bias), wanted, rtol=4e-15)


@pytest.mark.parametrize("drive_db", [6.0, 12.0, 24.0])
def test_the_asymmetric_curve_leaves_no_offset(drive_db):
    """Mean of a whole file that ends in silence; without the block it would be 40 dB and more higher."""
    sound = songs.noise(4.0, 3, peak=0.7)
    sound[-RATE_HZ:] = 0
    saturator = Saturator(curve="asymmetric", drive_db=drive_db)
    made = process(saturator, sound, RATE_HZ) - sound
    assert db(made.mean(axis=0)).max() < -80
    drive = 10 ** (drive_db / 20)
    bare = curves.asymmetric_ratio(sound, drive, 1.0, saturator.bias) * sound - sound
    assert db(bare.mean(axis=0)).min() > -45


def tilt_gain(freq_hz, gain_db, corner_hz, rate_hz=RATE_HZ):
    """First-order tilt as the bilinear transform places it."""
    w = math.tan(math.pi * freq_hz / rate_hz) / math.tan(math.pi * corner_hz / rate_hz)
    a = 10 ** (gain_db / 20)
    return abs(complex(1, a * w) / complex(a, w))


@pytest.mark.parametrize("tone_db", [-9.0, 6.0])
@pytest.mark.parametrize("cycles", [35, 171, 1367])  # 103, 501 and 4005 Hz
def test_the_tone_tilts_what_reaches_the_curve_and_is_undone_behind(tone_db, cycles):
    made = bent(
        Saturator(tone_db=tone_db, tone_freq_hz=800.0, drive_db=6.0, oversampling=16),
        0.3,
        cycles,
        settle=9000,
    )
    first, third = oracles.harmonic_amplitudes(made, cycles, (1, 3))
    freq_hz = cycles * RATE_HZ / FRAMES
    before, after = (tilt_gain(k * freq_hz, tone_db, 800) for k in (1, 3))
    wanted = harmonic_db(0.3 * before, 10 ** (6 / 20), 1.0, 3) + db(before / after)
    assert db(third / first) == pytest.approx(wanted, abs=HARMONIC_DB)


@pytest.mark.parametrize("tone_db", [-12.0, 5.0, 12.0])
def test_a_linear_bend_between_tilt_and_inverse_is_flat(tone_db):
    """The ratio held at 0.5: nothing but filters is left, and they must undo each other."""
    plan = Saturator(tone_db=tone_db, tone_freq_hz=400.0).plan(Context(RATE_HZ))
    assert isinstance(plan.treatment, Bend)
    lanes = np.zeros((FRAMES, 2, 2))
    lanes[0, 1] = 1
    half = Bent(fine=np.zeros((FRAMES * plan.factor, 2)), ratio=np.full((FRAMES * plan.factor, 2), 0.5))
    made = plan.treatment.apply(plan.treatment.start(2), half, lanes)[:, 1, 0]
    heard = np.fft.rfftfreq(FRAMES, 1 / RATE_HZ) <= TOP_HZ
    assert np.abs(db(np.fft.rfft(made)[heard] / 0.5)).max() < 0.0001


@every_curve
def test_faint_sound_passes_bit_for_bit_through_the_tone_of_an_even_curve(curve):
    faint = noise(2000, level=1e-11)
    saturator = Saturator(curve=curve, tone_db=6.0, drive_db=6.0, bias=0.0)
    np.testing.assert_array_equal(process(saturator, faint, RATE_HZ), faint)


def matched(folder, sound, **settings):
    """Loudness before and after a saturator on the mix bus of a rendered session, and its decision."""
    chain = [{"stage": "saturator", "level": "matched", **settings}]
    session = songs.write_session(folder, {"a": sound}, {"chain": chain}, mix_bus={"chain": "chain.json"})
    place = render(session, folder / "out").decisions["places"][-1]
    bare = songs.write_session(folder / "bare", {"a": sound})
    before = render(bare, folder / "bare" / "out").decisions["places"][-1]
    return before["left_at"], place["left_at"], place["decisions"][0]


@pytest.mark.parametrize("frames", [4096, 12288, 12288 - 59, 12300])
def test_a_matched_level_is_found_wherever_the_song_ends(frames):
    """What leaves a late stage comes in other blocks than what enters it."""
    sound = songs.noise(1.0, 5, peak=0.8)[:frames]
    assert process(Saturator(drive_db=12.0, level="matched"), sound, RATE_HZ).shape == sound.shape


@pytest.mark.parametrize(
    "settings", [{"drive_db": 18}, {"curve": "asymmetric", "drive_db": 12, "tone_db": 6, "mix": 0.7}]
)
def test_a_matched_level_leaves_as_loud_as_it_came(tmp_path, settings):
    before, after, decision = matched(tmp_path, songs.noise(2.0, 5, peak=0.8), **settings)
    assert after["integrated_lufs"] == pytest.approx(before["integrated_lufs"], abs=MATCHED_LU)
    assert decision["did"]["matched_gain_db"] > 1.0
    assert "to match the loudness" in decision["why"]


def test_a_level_that_was_not_measured_is_as_it_is():
    sound = noise(RATE_HZ)
    both = [streamed(Saturator(drive_db=12.0, level=level), sound) for level in ("as_is", "matched")]
    np.testing.assert_array_equal(*both)


def record_of(saturator, sound):
    here = Context(RATE_HZ, "mix_bus.stages[0]")
    plan = saturator.plan(here)
    state = saturator.start(plan, 1, here)
    saturator.process(plan, state, sound[:, None], {})
    return saturator.record(plan, state, here)


def test_the_log_names_the_strongest_harmonic_and_what_was_used():
    record = record_of(Saturator(curve="asymmetric", drive_db=6.0), stereo(sine(500, RATE_HZ, 0.5)))
    assert record["verdict"] == "worked"
    assert record["did"]["oversampling"] == 8
    assert record["did"]["harmonics_db"].keys() == {"2", "3", "4", "5"}
    second = record["did"]["harmonics_db"]["2"]
    assert record["why"].startswith(
        f"A sine at the bus's -6.0 dBFS gains a second harmonic at {second:.0f} dB;"
    )


def test_a_clip_that_only_peaks_reach_says_so():
    sound = stereo(sine(500, RATE_HZ, 0.1))
    sound[1000:1100] *= 15
    record = record_of(Saturator(curve="clip", drive_db=0.0), sound)
    assert record["verdict"] == "slight"
    assert record["why"].startswith(
        "Only peaks reach the bend: a sine at the highest, 3.5 dBFS, gains a third"
    )
