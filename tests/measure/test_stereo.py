"""Width and mono loss by broad band."""

import numpy as np
import pytest

from busproc.measure import LevelTally, ThirdOctaves
from busproc.measure.stereo import stereo_by_band

RATE_HZ = 48000
RANGES_HZ = {"low": (20, 100), "low_mid": (150, 800), "mid": (1000, 5000), "high": (6500, 16000)}


def read(audio, rate_hz=RATE_HZ):
    spectrum = ThirdOctaves(rate_hz)
    spectrum.feed(audio)
    return stereo_by_band(spectrum)


def noise_within(low_hz, high_hz, seed):
    noise = np.random.default_rng(seed).standard_normal((6 * RATE_HZ, 2))
    freqs_hz = np.fft.rfftfreq(len(noise), 1 / RATE_HZ)
    lines = np.fft.rfft(noise, axis=0)
    lines[(freqs_hz < low_hz) | (freqs_hz > high_hz)] = 0
    return np.fft.irfft(lines, n=len(noise), axis=0)


def test_each_band_reads_as_it_would_alone():
    parts = {}
    for n, (name, ends_hz) in enumerate(RANGES_HZ.items()):
        mid, side = noise_within(*ends_hz, seed=n).T
        parts[name] = np.column_stack([mid + 0.2 * (n + 1) * side, mid - 0.2 * (n + 1) * side])
    found = read(sum(parts.values()))
    for name, part in parts.items():
        alone, folded = LevelTally(), LevelTally()
        alone.feed(part)
        folded.feed(np.repeat(part.mean(axis=1, keepdims=True), 2, axis=1))
        assert found[name].side_to_mid_db == pytest.approx(alone.side_to_mid_db, abs=0.05), name
        assert found[name].mono_loss_db == pytest.approx(folded.rms_dbfs - alone.rms_dbfs, abs=0.05), name


def test_unrelated_sides_lose_three_decibels():
    for band in read(np.random.default_rng(5).standard_normal((20 * RATE_HZ, 2))).values():
        assert band.mono_loss_db == pytest.approx(-3.01, abs=0.2)
        assert band.side_to_mid_db == pytest.approx(0.0, abs=0.4)


def test_mono_loses_nothing_and_has_no_width():
    noise = np.random.default_rng(6).standard_normal((RATE_HZ, 1))
    for band in read(np.hstack([noise, noise])).values():
        assert band.side_to_mid_db is None
        assert band.mono_loss_db == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(("side", "found"), [(1e-5, True), (3e-7, False)])
def test_a_side_120_db_down_is_no_width(side, found):
    mid, other = np.random.default_rng(9).standard_normal((2, RATE_HZ, 1))
    bands = read(np.hstack([mid + side * other, mid - side * other])).values()
    assert {band.side_to_mid_db is not None for band in bands} == {found}


def test_inverted_sides_lose_all():
    noise = np.random.default_rng(7).standard_normal((RATE_HZ, 1))
    for band in read(np.hstack([noise, -noise])).values():
        assert (band.side_to_mid_db, band.mono_loss_db) == (None, pytest.approx(-60.0))


def test_silence_and_bands_beyond_the_rate_have_no_values():
    assert {(b.side_to_mid_db, b.mono_loss_db) for b in read(np.zeros((RATE_HZ, 2))).values()} == {
        (None, None)
    }
    found = read(np.random.default_rng(8).standard_normal((8000, 2)), 8000)
    assert found["high"].mono_loss_db is None
    assert found["mid"].mono_loss_db is not None
