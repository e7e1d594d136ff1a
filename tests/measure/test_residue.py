"""What linear filters and gains do not explain."""

import numpy as np
import pytest
from scipy import signal

from busproc.chain import process
from busproc.measure.residue import NullDepth, Residue
from busproc.stages.eq import Eq
from tests.published.loudness_signals import programme

RATE_HZ = 48000


def residue_of(original, processed, rate_hz=RATE_HZ, size=None):
    residue = Residue(rate_hz)
    for start in range(0, len(original), size or len(original)):
        part = slice(start, start + (size or len(original)))
        residue.feed(original[part], processed[part])
    return residue


def depth_of(processed, reference, size=None):
    null = NullDepth()
    for start in range(0, len(reference), size or len(reference)):
        part = slice(start, start + (size or len(reference)))
        null.feed(processed[part], reference[part])
    return null.null_depth_db


def noise_at(level_db, under, seed=7):
    made = np.random.default_rng(seed).standard_normal(under.shape)
    return made * 10 ** (level_db / 20) * np.sqrt((under**2).mean() / (made**2).mean())


@pytest.fixture(scope="module")
def sound():
    return programme(RATE_HZ, 15, seed=1)


def eq(**band):
    return Eq.model_validate({"stage": "eq", "bands": [band]})


@pytest.mark.parametrize("size", [1, 7, 1000])
def test_block_size_does_not_matter(size):
    audio = programme(8000, 8, seed=2)
    processed = np.tanh(audio)
    parts, whole = (residue_of(audio, processed, 8000, each) for each in (size, None))
    assert parts.residue_db() == whole.residue_db()
    assert parts.by_band_db() == whole.by_band_db()
    assert depth_of(processed, audio, size) == depth_of(processed, audio)


@pytest.mark.parametrize(
    ("band", "floor_db"),
    [
        ({"shape": "bell", "freq_hz": 1000.0, "gain_db": 6.0, "q": 1.0}, -98),
        ({"shape": "low_shelf", "freq_hz": 100.0, "gain_db": 4.0}, -98),
        ({"shape": "bell", "freq_hz": 3000.0, "gain_db": 12.0, "q": 10.0}, -98),
        ({"shape": "high_shelf", "freq_hz": 5000.0, "gain_db": 4.0, "on": "side"}, -98),
        ({"shape": "bell", "freq_hz": 60.0, "gain_db": 6.0, "q": 4.0}, -60),
    ],
)
def test_an_eq_leaves_none(sound, band, floor_db):
    assert residue_of(sound, process(eq(**band), sound, RATE_HZ)).residue_db() < floor_db


def test_a_filter_of_mono_leaves_none():
    mono = np.repeat(programme(RATE_HZ, 15, seed=3)[:, :1], 2, axis=1)
    band = eq(shape="bell", freq_hz=200.0, gain_db=-6.0, q=1.0)
    assert residue_of(mono, process(band, mono, RATE_HZ)).residue_db() < -95


def test_sides_mixed_by_filters_leave_none(sound):
    crossed = sound[:, ::-1] + signal.lfilter([0.3], [1, -0.7], sound, axis=0)
    assert residue_of(sound, crossed).residue_db() < -95


@pytest.mark.parametrize("level_db", [-20, -40, -60])
@pytest.mark.parametrize("alike", [False, True])
def test_added_noise_reads_its_level(sound, level_db, alike):
    original = np.repeat(sound[:, :1], 2, axis=1) if alike else sound
    filtered = process(eq(shape="bell", freq_hz=1000.0, gain_db=6.0), original, RATE_HZ)
    processed = filtered + noise_at(level_db, filtered)
    share_db = 10 * np.log10(10 ** (level_db / 10) / (1 + 10 ** (level_db / 10)))
    assert residue_of(original, processed).residue_db() == pytest.approx(share_db, abs=0.5)


def test_a_bent_sine_reads_its_third_harmonic():
    # y = x - x^3/3 of amplitude A: fundamental A - A^3/4, third harmonic A^3/12 (algebra)
    wave = 0.5 * np.sin(2 * np.pi * 441.7 / RATE_HZ * np.arange(20 * RATE_HZ))
    original = np.column_stack([wave, wave])
    third, first = 0.5**3 / 12, 0.5 - 0.5**3 / 4
    expected = 10 * np.log10(third**2 / (first**2 + third**2))
    assert residue_of(original, original - original**3 / 3).residue_db() == pytest.approx(expected, abs=0.5)


def test_bent_noise_reads_what_no_gain_explains():
    # Bussgang: white Gaussian x through x - k x^3 is (1 - 3 k s^2) x and a rest of power 6 k^2 s^6
    noise = 0.3 * np.random.default_rng(4).standard_normal((30 * RATE_HZ, 2))
    bent = noise - 0.2 * noise**3
    linear, rest = (1 - 0.6 * 0.09) ** 2 * 0.09, 6 * 0.04 * 0.09**3
    expected = 10 * np.log10(rest / (linear + rest))
    assert residue_of(noise, bent).residue_db() == pytest.approx(expected, abs=0.3)


def test_a_moving_gain_is_residue():
    # (1 + m sin) x: what the mean gain leaves has m^2/2 of the power
    noise = 0.1 * np.random.default_rng(5).standard_normal((30 * RATE_HZ, 2))
    swing = 0.1 * np.sin(2 * np.pi * 7 / RATE_HZ * np.arange(len(noise)))
    found = residue_of(noise, noise * (1 + swing)[:, None]).residue_db()
    assert found == pytest.approx(10 * np.log10(0.005 / 1.005), abs=0.3)


def test_bands_agree_with_multiple_coherence_by_scipy():
    noise = np.random.default_rng(6).standard_normal((20 * RATE_HZ, 2))
    noise[:, 1] += 0.7 * noise[:, 0]
    sos = signal.butter(2, [300, 3000], "bandpass", output="sos", fs=RATE_HZ)
    processed = signal.sosfilt(sos, noise, axis=0)[:, ::-1] + noise_at(-25, noise, seed=8)
    freqs_hz, left, power = coherence_residue(noise, processed)
    residue = residue_of(noise, processed)
    for hz, found in zip(residue.midbands_hz, residue.by_band_db(), strict=True):
        if 100 < hz < 16000:
            inside = (freqs_hz >= hz * 10**-0.05) & (freqs_hz < hz * 10**0.05)
            expected = 10 * np.log10(left[inside].sum() / power[inside].sum())
            assert found == pytest.approx(expected, abs=0.25), hz


def coherence_residue(original, processed):
    """Power that multiple coherence leaves, and all power, in each bin: cross spectra by scipy."""
    options = {"fs": RATE_HZ, "nperseg": 32768}
    between = np.array(
        [[signal.csd(original[:, i], original[:, j], **options)[1] for j in range(2)] for i in range(2)]
    )
    left, power = 0.0, 0.0
    for channel in processed.T:
        across = np.array([signal.csd(original[:, i], channel, **options)[1] for i in range(2)])
        weights = np.linalg.solve(between.transpose(2, 0, 1), across.T[:, :, None])[:, :, 0]
        freqs_hz, own = signal.welch(channel, **options)
        left = left + own - np.einsum("ik,ki->k", across.conj(), weights).real
        power = power + own
    windows = 2 * len(original) / 32768 - 1
    return freqs_hz, left / (1 - 2 / windows), power


def test_bands_tell_where_the_residue_lies(sound):
    hiss = signal.sosfilt(
        signal.butter(8, [3600, 4400], "bandpass", output="sos", fs=RATE_HZ), noise_at(-20, sound), axis=0
    )
    residue = residue_of(sound, sound + hiss)
    bands = dict(zip(np.round(residue.midbands_hz), residue.by_band_db(), strict=True))
    assert max(bands, key=bands.get) == 3981
    assert bands[1000] < -80


def test_the_level_does_not_matter(sound):
    bent = np.tanh(sound)
    loud, soft = residue_of(sound, bent), residue_of(2.0**-16 * sound, 8 * bent)
    assert loud.residue_db() == pytest.approx(soft.residue_db(), abs=1e-9)


@pytest.mark.parametrize("seconds", [0.1, 2.0])
def test_too_little_sound_has_no_residue(sound, seconds):
    audio = sound[: int(seconds * RATE_HZ)]
    residue = residue_of(audio, np.tanh(audio))
    assert residue.residue_db() is None
    assert set(residue.by_band_db()) == {None}


def test_five_seconds_are_enough(sound):
    audio = sound[: 5 * RATE_HZ]
    assert residue_of(audio, audio + noise_at(-40, audio)).residue_db() == pytest.approx(-40, abs=1)


def test_silence_has_no_residue(sound):
    silence = np.zeros_like(sound)
    assert residue_of(sound, silence).residue_db() is None
    assert residue_of(silence, sound).residue_db() == pytest.approx(0, abs=1e-6)


@pytest.mark.parametrize(
    ("gain", "level_db"), [(1.0, -10), (0.5, -10), (-3.0, -60), (0.5, -100), (-3.0, -100), (1.0, -140)]
)
def test_the_null_is_that_of_the_best_gain(sound, gain, level_db):
    processed = gain * (sound + noise_at(level_db, sound))
    flat = sound.reshape(-1)
    (best,), *_ = np.linalg.lstsq(processed.reshape(-1, 1), flat, rcond=None)
    left = best * processed.reshape(-1) - flat
    expected = 10 * np.log10((left**2).mean() / (flat**2).mean())
    assert depth_of(processed, sound) == pytest.approx(expected, abs=0.01)


def test_what_is_alike_nulls_wholly(sound):
    assert depth_of(sound, sound) is None
    assert depth_of(sound, np.zeros_like(sound)) is None
    assert depth_of(2 * sound, sound) is None or depth_of(2 * sound, sound) < -140


def test_what_is_unrelated_does_not_null(sound):
    assert depth_of(noise_at(0, sound), sound) == pytest.approx(0, abs=0.01)
