"""The limiter's ceiling as three meters read it, and the shape of its gain."""

from __future__ import annotations

import math

import numpy as np
import pyloudnorm
import pytest
import soxr
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from busproc.chain import process
from busproc.errors import RenderError
from busproc.kernels import limit
from busproc.stages.context import Context
from busproc.stages.limiter import Limiter
from tests import oracles
from tests.measure.reference_meters import needs_libebur128, open_ebur128
from tests.stages.nasty import FULL_BAND, both_sides, up_to_20_khz
from tests.stages.probe import RATE_HZ, db, gain_curve, second_lane, sine, stereo, streamed

CEILING_DBTP = -1.0
CEILING = 10 ** (CEILING_DBTP / 20)
ROUNDING_DB = 1e-9
IN_BAND_DB = 0.002  # over the ceiling, by Fourier and soxr; measured: 0.0010 at worst
EBUR128_IN_BAND_DB = 0.11  # libebur128 itself reads a sweep to 20 kHz at 0 dBFS as +0.109 dBTP
REPEAT_DB = 0.01  # another version of soxr or numpy's FFT

# Over the ceiling in dB, streaming, as measured: Fourier interpolation 32x, soxr VHQ 16x, libebur128. Where
# a sound reaches Nyquist meters disagree by decibels, and a gain that follows one of them cannot please all.
STREAMED_OVER_DB = {
    "random signs": (0.885, 0.109, 0),
    "clipped white noise": (0.720, 0.502, 0),
    "alternating, flipped each 128": (3.130, 0, 0),
    "alternating, flipped each 7": (0.073, 0, 0),
    "signs of a sinc": (9.471, 0, 0),
    "quarter rate between samples": (0, 0.007, 0.014),
    "third of the rate": (0.015, 0.032, 0),
    "sweep to 24 kHz": (2.119, 0.002, 0.110),
    "noise 18 to 24 kHz": (0.180, 0.339, 0.190),
    "noise to 20 kHz": (0.001, 0.184, 0),
    "noise 10 to 20 kHz": (0.031, 0, 0),
    "23 kHz": (0.718, 0, 0),
    "20 kHz on and off": (0.067, 0, 0),
    "impulses": (0, 0, 0),
    "pairs of impulses": (0.006, 0, 0),
    "square wave": (0.009, 0, 0),
    "sawtooth": (0.010, 0, 0),
    "bursts of 5 kHz": (0.014, 0.029, 0),
    "clipped ensemble": (0.206, 0, 0),
    "ensemble far over": (0.002, 0.322, 0.003),
}
VERIFIED_OVER_DB = 0.001  # soxr and libebur128, any sound; measured: under the ceiling by 0.0001 dB at least
VERIFIED_BY_FOURIER_OVER_DB = 0.02  # any sound; measured: 0.015 on the signs of a sinc, 0.0006 elsewhere

every_sound = pytest.mark.parametrize("name", FULL_BAND)
some_sounds = pytest.mark.parametrize("name", ["sweep to 24 kHz", "bursts of 5 kHz", "ensemble far over"])


def streamed_at_ceiling(sound):
    """A sound behind the limiter in one pass, with silence around it."""
    return streamed(Limiter(ceiling_dbtp=CEILING_DBTP), np.pad(sound, ((500, 500), (0, 0))))


def verified(sound, **options):
    """A sound behind the limiter that has seen all of it beforehand, with silence around it."""
    return process(
        Limiter(ceiling_dbtp=CEILING_DBTP, **options), np.pad(sound, ((500, 500), (0, 0))), RATE_HZ
    )


def by_fourier(audio):
    return db(oracles.interpolate(audio, 32)).max()


def by_soxr(audio):
    return db(soxr.resample(np.pad(audio, ((2000, 2000), (0, 0))), 1, 16, quality="VHQ")).max()


def by_ebur128(audio):
    with open_ebur128(RATE_HZ) as meter:
        meter.feed(np.pad(audio, ((0, 2000), (0, 0))))
        return meter.true_peak_dbtp()


@every_sound
def test_streaming_the_ceiling_holds_for_what_ends_at_20_khz(name):
    made = streamed_at_ceiling(both_sides(up_to_20_khz(FULL_BAND[name])))
    assert by_fourier(made) <= CEILING_DBTP + IN_BAND_DB
    assert by_soxr(made) <= CEILING_DBTP + IN_BAND_DB


@every_sound
def test_streaming_no_more_than_stated_passes_the_ceiling_whatever_the_sound(name):
    made = streamed_at_ceiling(both_sides(FULL_BAND[name]))
    by_fourier_db, by_soxr_db, _ = STREAMED_OVER_DB[name]
    assert by_fourier(made) <= CEILING_DBTP + by_fourier_db + REPEAT_DB
    assert by_soxr(made) <= CEILING_DBTP + by_soxr_db + REPEAT_DB
    assert db(made).max() <= CEILING_DBTP + ROUNDING_DB


@needs_libebur128
@every_sound
def test_streaming_libebur128_agrees(name):
    in_band, full_band = both_sides(up_to_20_khz(FULL_BAND[name])), both_sides(FULL_BAND[name])
    assert by_ebur128(streamed_at_ceiling(in_band)) <= CEILING_DBTP + EBUR128_IN_BAND_DB
    assert by_ebur128(streamed_at_ceiling(full_band)) <= CEILING_DBTP + STREAMED_OVER_DB[name][2] + REPEAT_DB


@needs_libebur128
@every_sound
def test_verified_the_ceiling_holds_on_every_meter_whatever_the_sound(name):
    made = verified(both_sides(FULL_BAND[name]))
    assert by_fourier(made) <= CEILING_DBTP + VERIFIED_BY_FOURIER_OVER_DB
    assert by_soxr(made) <= CEILING_DBTP + VERIFIED_OVER_DB
    assert by_ebur128(made) <= CEILING_DBTP + VERIFIED_OVER_DB


@needs_libebur128
@some_sounds
def test_verified_what_ends_at_20_khz_reaches_the_ceiling_on_the_highest_meter_and_no_more(name):
    made = verified(both_sides(up_to_20_khz(FULL_BAND[name])))
    highest = max(by_fourier(made), by_soxr(made), by_ebur128(made))
    assert highest == pytest.approx(CEILING_DBTP, abs=VERIFIED_OVER_DB)


@some_sounds
def test_verified_nothing_is_touched_under_the_ceiling(name):
    sound = both_sides(up_to_20_khz(FULL_BAND[name]))
    quiet = np.pad(sound, ((500, 500), (0, 0))) * 10 ** ((CEILING_DBTP - 0.12 - by_fourier(sound)) / 20)
    np.testing.assert_array_equal(process(Limiter(ceiling_dbtp=CEILING_DBTP), quiet, RATE_HZ), quiet)


def test_a_target_loudness_is_reached_under_the_ceiling():
    sound = np.tile(both_sides(FULL_BAND["ensemble far over"]), (6, 1)) * 0.1
    made = verified(sound, target_lufs=-12.0)
    assert pyloudnorm.Meter(RATE_HZ).integrated_loudness(made) == pytest.approx(-12, abs=0.05)
    assert by_fourier(made) <= CEILING_DBTP + VERIFIED_BY_FOURIER_OVER_DB


def test_a_target_loudness_out_of_reach_is_refused_with_the_best_there_is():
    with pytest.raises(RenderError, match=r"target_lufs -3 cannot be met under -1 dBTP: .*-?\d+\.\d LUFS"):
        verified(np.tile(both_sides(FULL_BAND["impulses"]), (2, 1)), target_lufs=-3.0)


@pytest.mark.parametrize("rate_hz", [44100, 96000, 192000])
@pytest.mark.parametrize("ceiling_dbtp", [-12.0, 0.0])
def test_the_ceiling_holds_at_other_rates_and_levels(rate_hz, ceiling_dbtp):
    sound = both_sides(up_to_20_khz(FULL_BAND["ensemble far over"]))
    made = streamed(Limiter(ceiling_dbtp=ceiling_dbtp), sound, rate_hz)
    assert by_fourier(made) == pytest.approx(ceiling_dbtp, abs=IN_BAND_DB)


@pytest.mark.parametrize(
    "name", ["noise 10 to 20 kHz", "bursts of 5 kHz", "ensemble far over", "square wave"]
)
@pytest.mark.parametrize(("lookahead_ms", "hold_ms"), [(5.0, 10.0), (5.0, 0.0), (0.5, 0.0)])
def test_the_gain_is_never_above_what_the_wave_around_a_frame_allows(name, lookahead_ms, hold_ms):
    sound = both_sides(up_to_20_khz(FULL_BAND[name]))
    fine = np.abs(oracles.interpolate(sound, 32)).max(axis=1)
    around = np.pad(fine, 32)  # frame n is at 32 n + 32
    peak = [around[32 * n : 32 * n + 65].max() for n in range(len(sound))]
    allowed = np.minimum(1, CEILING / np.maximum(peak, 1e-9))
    limiter = Limiter(ceiling_dbtp=CEILING_DBTP, lookahead_ms=lookahead_ms, hold_ms=hold_ms)
    gain = gain_curve(limiter, sound)
    assert db(gain / allowed).max() <= IN_BAND_DB
    assert db(gain.min()) < -2


@every_sound
def test_nothing_is_touched_under_the_ceiling(name):
    sound = both_sides(up_to_20_khz(FULL_BAND[name]))
    quiet = sound * 10 ** ((CEILING_DBTP - 0.01 - by_fourier(sound)) / 20)
    made = streamed(Limiter(ceiling_dbtp=CEILING_DBTP), quiet)
    np.testing.assert_array_equal(made, quiet)


PEAK_AT = 3000


def one_peak(frames=100_000):
    """Four times the ceiling for one frame."""
    sound = np.zeros((frames, 2))
    sound[PEAK_AT] = 4 * CEILING
    return sound


def test_the_gain_falls_within_the_lookahead_and_is_down_where_the_peak_is():
    gain = gain_curve(Limiter(ceiling_dbtp=CEILING_DBTP, lookahead_ms=5.0, hold_ms=10.0), one_peak())
    lookahead, hold = RATE_HZ * 5 // 1000, RATE_HZ * 10 // 1000
    falls = int(np.argmax(gain < 1))
    assert PEAK_AT - lookahead - 2 <= falls <= PEAK_AT - lookahead + 2
    assert (np.diff(gain[falls:PEAK_AT]) <= 0).all()
    down = gain[PEAK_AT : PEAK_AT + hold]
    np.testing.assert_allclose(down, 0.25, rtol=1e-6)
    assert down.max() <= 0.25


def test_without_hold_the_gain_still_stays_down_for_the_wave_on_both_sides_of_a_frame():
    """The wave between a peak and the frame after it is as high as the peak."""
    fast = Limiter(ceiling_dbtp=CEILING_DBTP, lookahead_ms=0.5, hold_ms=0.0, release_ms=1.0)
    gain = gain_curve(fast, one_peak())
    assert gain[PEAK_AT : PEAK_AT + 2].max() <= 0.25 < gain[PEAK_AT + 2]


@pytest.mark.parametrize("release_ms", [20.0, 150.0])
def test_after_a_single_peak_the_gain_rises_by_63_percent_in_the_release_time(release_ms):
    """The slow part has taken up no more than 3 % of the reduction in the 15 ms that it is held."""
    gain = gain_curve(Limiter(ceiling_dbtp=CEILING_DBTP, release_ms=release_ms), one_peak())
    after = PEAK_AT + RATE_HZ // 40  # hold and easing are over
    left = 1 - gain[[after, after + round(release_ms * RATE_HZ / 1000)]]
    assert left[1] / left[0] == pytest.approx(math.exp(-1), abs=0.03)


def test_after_sustained_limiting_half_of_the_rise_is_slow():
    """Two exponentials, each with half of the reduction."""
    tone = np.zeros((5 * RATE_HZ, 2))
    ends = 3 * RATE_HZ
    tone[:ends] = 2 * CEILING * sine(1000, ends)[:, None]
    limiter = Limiter(ceiling_dbtp=CEILING_DBTP, release_ms=100.0, sustained_release_ms=900.0)
    left = 1 - gain_curve(limiter, tone)[ends:]
    late_s = np.array([0.1, 0.2, 0.4, 0.8])
    held_s = 0.0125  # hold and half of the look-ahead: the easing is symmetrical about its middle
    wanted = 0.25 * np.exp(-(late_s - held_s) / 0.1) + 0.25 * np.exp(-(late_s - held_s) / 0.9)
    np.testing.assert_allclose(left[(late_s * RATE_HZ).astype(int)], wanted, rtol=0.005)


def test_after_the_release_the_gain_is_exactly_1_again():
    options = {"release_ms": 50.0, "sustained_release_ms": 100.0}
    gain = gain_curve(Limiter(ceiling_dbtp=CEILING_DBTP, **options), one_peak())
    at_rest = PEAK_AT + RATE_HZ * 3 // 2  # 100 ms times ln(0.75 / 1e-6) is 1350 ms
    assert (gain[at_rest:] == 1).all()
    assert gain[PEAK_AT + RATE_HZ // 2] < 1


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
@pytest.mark.parametrize("lookahead_ms", [0.5, 5.0, 20.0])
def test_the_latency_is_the_lookahead_and_the_detectors_filter(rate_hz, lookahead_ms):
    """The filter's delay: half-band reaches of 52, 10/2 and 8/4 base frames."""
    plan = Limiter(lookahead_ms=lookahead_ms).plan(Context(rate_hz))
    assert plan.latency_frames == 59 + round(lookahead_ms * rate_hz / 1000)


def distortion_db(freq_hz, **options):
    """All harmonics of a tone 6 dB over the ceiling together, against the tone."""
    tone = stereo(sine(freq_hz, 2 * RATE_HZ, 10 ** ((CEILING_DBTP + 6) / 20)))
    made = streamed(Limiter(ceiling_dbtp=CEILING_DBTP, **options), tone)[RATE_HZ // 2 : -RATE_HZ // 2]
    fundamental, *others = oracles.harmonic_amplitudes(made[:, 0], freq_hz, range(1, 20))
    assert db(fundamental) == pytest.approx(CEILING_DBTP, abs=0.02)
    return db(math.hypot(*others) / fundamental)


@pytest.mark.parametrize("release_ms", [20.0, 150.0])
@pytest.mark.parametrize("freq_hz", [35, 50, 100])
def test_a_low_tone_is_turned_down_and_not_bent(freq_hz, release_ms):
    """Measured at 50 Hz: -320 dB, and -65 dB without hold. 35 Hz is the lowest: half a period in 14.3 ms."""
    assert distortion_db(freq_hz, release_ms=release_ms) < -200


def test_it_is_the_hold_that_keeps_a_low_tone_whole():
    assert distortion_db(50, hold_ms=0.0) > -70


@pytest.mark.parametrize("release_ms", [20.0, 150.0])
def test_catching_peaks_spreads_a_tone_by_little(release_ms):
    """Measured over 3 kHz away: -143 dB at 20 ms, -149 dB at 150 ms."""
    peaks = np.zeros((RATE_HZ, 2))
    peaks[2000::4801] = 2.0
    peaks[4500::7000] = -1.6
    tone = second_lane(Limiter(release_ms=release_ms), peaks, stereo(sine(997, RATE_HZ)))[:, 0]
    lines = np.abs(np.fft.rfft(tone * signal.windows.kaiser(RATE_HZ, 38)))
    away = np.abs(np.arange(len(lines)) - 997) > 3000
    assert db(lines[away].max() / lines.max()) < -140


@settings(max_examples=40)
@given(
    x=st.lists(st.sampled_from([0.1, 0.2, 0.3, 0.5, 0.9, 1.0]), min_size=1, max_size=60),
    length=st.integers(1, 20),
)
def test_the_sliding_minimum_is_the_smallest_of_the_window(x, length):
    rings = np.zeros(length), np.zeros(length, dtype=np.int64), np.zeros(3, dtype=np.int64)
    np.testing.assert_array_equal(
        limit.slide_minimum(np.array(x), length, *rings), oracles.sliding_minimum(x, length)
    )


@settings(max_examples=20)
@given(lengths=st.lists(st.integers(1, 30), min_size=3, max_size=3), seed=st.integers(0, 99))
def test_easing_is_three_running_means_rounded_down(lengths, seed):
    gain = np.random.default_rng(seed).uniform(0.01, 1, 200)
    sizes = np.array(lengths, dtype=np.int64)
    rings = np.full((3, max(lengths)), limit.ONE)
    eased = limit.ease(gain, sizes, rings, sizes * limit.ONE, np.zeros(3, dtype=np.int64))
    wanted = gain
    for length in lengths:
        wanted = oracles.running_mean(wanted, length, before=1.0)
    step = 1 / limit.ONE
    assert (eased - wanted <= 1e-15).all()
    assert (wanted - eased <= 4 * step).all()


def test_the_release_never_rises_above_what_is_wanted():
    wanted = np.repeat(np.random.default_rng(5).uniform(0.1, 1, 50), 20)
    gain = limit.release(wanted, 0.98, 0.999, 0.9999, 0.5, np.zeros(2))
    assert (gain - wanted).max() <= np.finfo(float).eps
    assert (gain[1:] < wanted[1:]).any()


@pytest.mark.parametrize(("crest", "first_cell"), [(24 + 1 / 3, 3), (31 + 1 / 3, 4)])
def test_a_peak_between_samples_is_refined_in_its_cell_or_the_next(crest, first_cell):
    """A cosine on a grid of 24 points a period, 8 a cell; a crest is a third of a step behind a point."""
    wave = stereo(np.cos(2 * np.pi * (np.arange(240) - crest) / 24))
    peaks = limit.peak_in_cells(wave, 8, np.zeros((2, 2)))[first_cell::3]
    missed_by_the_grid = 1 - math.cos(2 * np.pi / 3 / 24)
    assert np.abs(peaks - 1).max() < missed_by_the_grid / 20
