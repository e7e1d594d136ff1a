"""The interpolating peak meter against Fourier interpolation, and its stated flatness."""

import math

import numpy as np
import pytest

from busproc.kernels.true_peak import search
from busproc.measure import measure
from busproc.measure import true_peak as design
from busproc.measure.true_peak import TruePeak
from tests.measure.reference_meters import fourier_peak_dbtp, needs_libebur128, open_ebur128
from tests.published.loudness_signals import faded, peak_tone, stereo

FLATNESS_DB = 0.01
FACTORS = {8000: 64, 11025: 32, 44100: 8, 48000: 8, 88200: 4, 96000: 4, 192000: 2, 384000: 1}


def grid_loss_db(freq_hz, rate_hz):
    """Most that a peak between two points of the finer grid is read low (BS.1770-5, appendix to Annex 2)."""
    return -20 * math.log10(math.cos(math.pi * freq_hz / (rate_hz * FACTORS[rate_hz])))


def band_noise(rate_hz, up_to_hz, seed, frames=6000):
    """Noise with silent ends and nothing above a frequency but what its fades add."""
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal((frames, 2)), axis=0)
    spectrum[np.fft.rfftfreq(frames, 1 / rate_hz) > up_to_hz] = 0
    noise = np.fft.irfft(spectrum, axis=0)
    return np.pad(np.column_stack([faded(channel, 600) for channel in noise.T]), ((200, 200), (0, 0)))


@pytest.mark.parametrize("rate_hz", FACTORS)
@pytest.mark.parametrize("seed", range(4))
def test_noise_reads_what_fourier_interpolation_finds(rate_hz, seed):
    top_hz = min(20000, 0.45 * rate_hz)
    noise = band_noise(rate_hz, top_hz, seed)
    short_db = (
        fourier_peak_dbtp(noise, 128 if rate_hz == 8000 else 64) - measure(noise, rate_hz).true_peak_dbtp
    )
    assert -FLATNESS_DB <= short_db <= grid_loss_db(top_hz, rate_hz) + FLATNESS_DB


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
@pytest.mark.parametrize("freq_hz", [997, 5003, 9973, 15013, 19997])
def test_tones_up_to_20_khz_read_within_the_stated_loss(rate_hz, freq_hz):
    frames = rate_hz // 2
    tone = stereo(faded(0.5 * np.sin(2 * np.pi * freq_hz / rate_hz * np.arange(frames)), frames // 5))
    short_db = 20 * math.log10(0.5) - measure(tone, rate_hz).true_peak_dbtp
    assert -FLATNESS_DB <= short_db <= grid_loss_db(freq_hz, rate_hz) + FLATNESS_DB


@pytest.mark.parametrize(("rate_hz", "loss_db"), [(44100, 0.14), (48000, 0.12)])
def test_the_docstring_states_the_loss_at_20_khz(rate_hz, loss_db):
    assert round(grid_loss_db(20000, rate_hz), 2) == loss_db


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
def test_a_tone_whose_peaks_fall_between_samples_reads_true(rate_hz):
    # Tech 3341 case 16: samples at -9.03 dBFS, wave at -6.02
    tone = peak_tone(rate_hz, 4, 0.5, 45.0)
    reading = measure(tone, rate_hz)
    assert reading.sample_peak_dbfs == pytest.approx(-9.03, abs=0.01)
    assert reading.true_peak_dbtp == pytest.approx(-6.02, abs=0.01)


@needs_libebur128
@pytest.mark.parametrize("seed", range(4))
def test_libebur128_agrees_where_four_fold_oversampling_does(seed):
    noise = band_noise(48000, 8000, seed)
    with open_ebur128(48000) as other:
        other.feed(noise)
        theirs = other.true_peak_dbtp()
    loss_db = -20 * math.log10(math.cos(math.pi * 8000 / (48000 * 4)))
    their_ripple_db = 0.05  # of its interpolator up to 8 kHz, measured
    assert abs(measure(noise, 48000).true_peak_dbtp - theirs) <= loss_db + their_ripple_db


def test_a_peak_in_the_last_frames_is_found_though_the_stream_has_ended():
    audio = np.zeros((1000, 2))
    audio[-2:, 1] = 0.5  # two equal samples rise higher between them
    assert measure(audio, 48000).true_peak_dbtp == pytest.approx(
        fourier_peak_dbtp(np.pad(audio, ((0, 400), (0, 0)))), abs=0.05
    )
    assert measure(audio, 48000).true_peak_dbtp > -5.0


def test_a_peak_is_found_across_a_reading():
    audio = np.zeros((400, 2))
    audio[199:201] = 0.5
    meter = TruePeak(48000)
    meter.feed(audio[:200])
    before = meter.dbtp
    meter.feed(audio[200:])
    assert meter.dbtp == measure(audio, 48000).true_peak_dbtp
    assert meter.dbtp > before + 1


def test_the_true_peak_is_never_below_the_sample_peak():
    for seed in range(20):
        clicks = np.random.default_rng(seed).uniform(-1, 1, (500, 2)) ** 9
        reading = measure(clicks, 48000)
        assert reading.true_peak_dbtp >= reading.sample_peak_dbfs


@pytest.mark.parametrize("rate_hz", [8000, 44100, 96000])
def test_leaving_tiles_early_changes_no_reading(rate_hz):
    rng = np.random.default_rng(15)
    for _ in range(10):
        noise = rng.standard_normal((4000, 2)) * rng.uniform(0, 1, (4000, 1)) ** 4
        hasty, patient = TruePeak(rate_hz), TruePeak(rate_hz)
        patient._reach = np.full_like(patient._reach, 1e9)
        for meter in (hasty, patient):
            meter.feed(noise)
        assert hasty.dbtp == patient.dbtp


@pytest.mark.parametrize("high", ["frame", "quarter", "half", "three quarters", "next frame"])
def test_any_of_five_rough_values_has_a_frame_looked_at(high):
    frames, halves = np.zeros(4, np.float32), np.zeros(6, np.float32)  # both sides by turns
    if high in {"frame", "next frame"}:
        frames[0 if high == "frame" else 2] = 1.0
    elif high == "half":
        halves[2] = 1.0
    else:
        halves[0 if high == "quarter" else 4] = -20.0  # far away, but it weighs -1/10
    wave, taps = np.full(8, 5.0), np.zeros((1, 2, 8))
    taps[0, 0, 0] = 1.0
    bounds = np.array([0.0, 0.9])
    search(frames, halves, wave, np.array([0.6, -0.1], np.float32), taps, np.array([3, 1, 0, 1, 0.0]), bounds)
    assert bounds[1] == 5.0


def weights_of_the_rough_look(rough, frames):
    """From a frame to the next: weights of that frame, half-way and the next, then of the quarters."""
    here = frames // 2 - 1
    places = np.zeros((6, frames))  # every half frame, from half a frame before on
    places[1::2, here : here + 3] = np.eye(3)
    for k in range(3):
        places[2 * k, here + k - 12 : here + k + 12] = np.concatenate([rough[0][::-1], rough[0]])
    near, far = rough[1]
    between = [near * (places[k] + places[k + 1]) + far * (places[k - 1] + places[k + 2]) for k in (1, 2)]
    return places[1:4], np.array(between)


@pytest.mark.parametrize("rate_hz", [8000, 48000, 96000, 192000])
def test_no_samples_can_pass_the_bounds_by_which_tiles_are_left(rate_hz):
    taps, *rough, reach = design._design(rate_hz)
    points = np.concatenate(list(taps), axis=1).T
    halves, quarters = weights_of_the_rough_look(rough, points.shape[1])
    unseen = points - points @ np.linalg.pinv(halves) @ halves
    noise = np.random.default_rng(1).standard_normal((500, points.shape[1]))
    samples = np.sign(np.concatenate([points, unseen, noise]))
    peak = np.abs(samples @ points.T).max(axis=1)
    u = np.abs(samples @ halves.T).max(axis=1)
    finer = np.maximum(u, np.abs(samples @ quarters.T).max(axis=1))
    bounds = np.array([0 * u + reach[0], reach[1] * u + reach[2], reach[3] * finer + reach[4]])
    assert (peak <= bounds).all()
    assert ((peak / bounds).max(axis=1) > [0.999, 0.88, 0.9]).all()  # and they are no looser than they must
