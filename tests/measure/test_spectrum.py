"""Third-octave levels of noise and tones."""

import numpy as np
import pytest

from busproc.measure import LevelTally, ThirdOctaves
from tests.published.loudness_signals import programme

BANDS_AT_48_KHZ = 31


def spectrum_of(audio, rate_hz=48000, size=None):
    bands = ThirdOctaves(rate_hz)
    for start in range(0, len(audio), size or max(len(audio), 1)):
        bands.feed(audio[start : start + (size or len(audio))])
    return bands


@pytest.mark.parametrize("size", [1, 7, 64, 1000, 4096])
def test_block_size_does_not_matter(size):
    audio = programme(8000, 2.5, seed=1)
    assert spectrum_of(audio, 8000, size).levels_db() == spectrum_of(audio, 8000).levels_db()


def test_folded_to_mono_it_reads_what_the_fold_itself_reads():
    audio = programme(8000, 2.5, seed=3)
    fold = np.repeat(audio.mean(axis=1, keepdims=True), 2, axis=1)
    found, expected = spectrum_of(audio, 8000).mono_levels_db(), spectrum_of(fold, 8000).levels_db()
    np.testing.assert_allclose(found, expected, rtol=0, atol=1e-9)
    assert spectrum_of(audio, 8000).levels_db() != found


def test_reading_in_between_changes_nothing():
    audio = programme(8000, 2.5, seed=2)
    bands = ThirdOctaves(8000)
    for start in range(0, len(audio), 3000):
        bands.feed(audio[start : start + 3000])
        assert bands.levels_db() == bands.levels_db()
    assert bands.levels_db() == spectrum_of(audio, 8000).levels_db()


@pytest.mark.parametrize("frames", [10, 3000, 20000, 32768, 57344, 100_001])
def test_every_frame_counts_once(frames):
    # noise between 30 Hz and 15 kHz has all its power in the bands, whatever windows its length makes
    rng = np.random.default_rng(frames)
    spectrum = np.fft.rfft(rng.standard_normal((frames, 2)), axis=0)
    freqs_hz = np.fft.rfftfreq(frames, 1 / 48000)
    spectrum[(freqs_hz < 30) | (freqs_hz > 15000)] = 0
    audio = np.fft.irfft(spectrum, n=frames, axis=0)
    levels = [level for level in spectrum_of(audio).levels_db() if level is not None]
    tally = LevelTally()
    tally.feed(audio)
    total_db = 10 * np.log10(sum(10 ** (level / 10) for level in levels))
    ends_cut_off_db = 0.7 if frames < 100 else 0.02
    assert total_db == pytest.approx(tally.rms_dbfs, abs=ends_cut_off_db)


def test_white_noise_rises_by_a_third_of_an_octave_a_band():
    noise = np.random.default_rng(3).standard_normal((48000 * 40, 2)) * 0.1
    levels = spectrum_of(noise).levels_db()
    # a band f wide holds f / 24 kHz of the power; a third octave is 0.230768 midbands wide (IEC 61260-1)
    for band in range(-10, 13):
        width_hz = 0.230768 * 1000 * 10 ** (band / 10)
        expected = -20.0 + 10 * np.log10(2) + 10 * np.log10(width_hz / 24000)
        assert levels[band + 17] == pytest.approx(expected, abs=0.25)


@pytest.mark.parametrize("band", range(-17, 14))
def test_a_tone_reads_its_own_peak_in_its_band(band):
    freq_hz = 1000 * 10 ** (band / 10)
    tone = 0.5 * np.sin(2 * np.pi * freq_hz / 48000 * np.arange(48000 * 3))
    levels = spectrum_of(np.column_stack((tone, tone))).levels_db()
    assert levels[band + 17] == pytest.approx(-6.02, abs=0.15)
    assert max(levels) == levels[band + 17]


def test_the_level_is_the_mean_power_of_both_channels():
    tone = 0.5 * np.sin(2 * np.pi * 1000 / 48000 * np.arange(48000 * 2))
    both = spectrum_of(np.column_stack((tone, tone))).levels_db()[17]
    for one in (np.column_stack((tone, 0 * tone)), np.column_stack((0 * tone, tone))):
        assert both - spectrum_of(one).levels_db()[17] == pytest.approx(10 * np.log10(2), abs=1e-9)


@pytest.mark.parametrize(
    ("rate_hz", "bands"), [(8000, 24), (22050, 28), (44100, 31), (48000, 31), (96000, 31), (192000, 31)]
)
def test_bands_above_nyquist_are_left_out(rate_hz, bands):
    spectrum = spectrum_of(programme(rate_hz, 0.2, seed=4), rate_hz)
    assert len(spectrum.levels_db()) == len(spectrum.midbands_hz) == bands
    assert spectrum.midbands_hz[-1] < rate_hz / 2


@pytest.mark.parametrize("frames", [0, 1000, 100_000])
def test_silence_has_no_levels(frames):
    assert spectrum_of(np.zeros((frames, 2))).levels_db() == (None,) * BANDS_AT_48_KHZ


def test_the_input_is_left_as_it_was():
    audio = programme(48000, 1.0, seed=5)
    before = audio.copy()
    audio.flags.writeable = False
    spectrum_of(audio)
    np.testing.assert_array_equal(audio, before)
