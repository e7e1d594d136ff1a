"""Hum of the mains in stems with pauses, and basses that are none."""

import numpy as np
import pytest

from busproc.measure.faults.hum import HumSearch
from tests.measure import healthy

RATE_HZ = healthy.RATE_HZ
PRESENT = (1, 2, 3, 4, 5, 7, 9)


def hum_of(audio, rate_hz=RATE_HZ):
    search = HumSearch(rate_hz, audio.shape[1])
    for start in range(0, len(audio), 4096):
        search.feed(audio[start : start + 4096])
    return search.finding()


def mains(freq_hz, present=PRESENT):
    """Harmonics that fall by 6 dB an octave, mean square 1."""
    wave = sum(np.sin(2 * np.pi * freq_hz * k * healthy.times() + k * k) / k for k in present)
    return (wave / np.sqrt((wave**2).mean()))[:, None]


def with_pauses(name):
    """A stem that rests for three of every six seconds, but for a floor of noise 80 dB down."""
    audio = healthy.SOUNDS[name]()
    audio /= np.sqrt((audio**2).mean())
    audio *= np.where(healthy.times() % 6 > 3, 0.0, 1.0)[:, None]
    return 0.1 * (audio + 1e-4 * healthy.noise(1))


@pytest.mark.parametrize("name", ["music", "drums", "dark", "two_performances", "organ"])
@pytest.mark.parametrize("mains_hz", [50, 60])
@pytest.mark.parametrize("snr_db", [0, 10, 20, 30])
@pytest.mark.parametrize("off", [-0.003, 0.001])
def test_hum_is_found_in_the_pauses(name, mains_hz, snr_db, off):
    level = 0.1 * 10 ** (-snr_db / 20)
    found = hum_of(with_pauses(name) + level * mains(mains_hz * (1 + off)))
    assert found.found
    assert found.mains_hz == mains_hz
    assert found.freq_hz == pytest.approx(mains_hz * (1 + off), rel=1e-3)
    assert {1, 2, 3} <= set(found.harmonics) <= set(PRESENT)
    assert found.level_dbfs == pytest.approx(20 * np.log10(level) + 3.01, abs=0.5)


@pytest.mark.parametrize("name", ["music", "drums", "dark", "two_performances", "organ"])
def test_pauses_without_hum_have_none(name):
    assert hum_of(with_pauses(name)).harmonics == ()


@pytest.mark.parametrize("name", ["dark", "tremolo", "wide_room"])
def test_hum_as_loud_as_a_stem_that_never_rests(name):
    audio = healthy.SOUNDS[name]()
    assert hum_of(audio + np.sqrt((audio**2).mean()) * mains(50)).found


def test_hum_of_one_channel():
    audio = with_pauses("music")
    audio[:, 1:] += 0.01 * mains(60)
    assert hum_of(audio).found


@pytest.mark.parametrize("present", [(1,), (1, 2), (5, 7, 9, 11)])
def test_lines_too_few_or_too_high_are_no_hum(present):
    assert not hum_of(with_pauses("music") + 0.01 * mains(50, present)).found


@pytest.mark.parametrize("freq_hz", [47.0, 49.0, 51.0, 55.0, 61.74])
def test_a_tone_beside_the_mains_is_no_hum(freq_hz):
    assert not hum_of(with_pauses("drums") + 0.01 * mains(freq_hz)).found


@pytest.mark.parametrize("length_s", [0.25, 0.5, 1.0, 2.0])
@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_notes_on_the_mains_are_no_hum(length_s, mains_hz):
    played = sum(
        healthy.notes([mains_hz], length_s, 0.6 * length_s, lambda x, k=k: np.sin(k * x) / k)
        for k in range(1, 8)
    )
    assert not hum_of(0.2 * healthy.stereo(played) + 1e-5 * healthy.noise(2)).found


def test_hum_that_comes_and_goes_with_the_sound_is_part_of_it():
    playing = np.where(healthy.times() % 6 > 3, 0.0, 1.0)[:, None]
    assert not hum_of(0.1 * playing * mains(50) + 1e-6 * healthy.noise(3)).found


def test_a_drone_that_ends_is_no_hum():
    """A quiet beginning on the mains' own note, then something louder without it."""
    first = (healthy.times() < 6)[:, None]
    loud = healthy.filtered(healthy.noise(4), 4, 3000, "highpass")
    assert not hum_of(np.where(first, 0.01 * mains(50), 0.3 * loud) + 1e-6 * healthy.noise(3)).found


def test_a_drone_that_swells_is_no_hum():
    swell = 10 ** (-np.abs(healthy.times() - 6) / 3)[:, None]  # 40 dB in 6 s
    assert not hum_of(0.1 * swell * mains(50) + 1e-6 * healthy.noise(3)).found


def test_hum_of_a_stem_that_is_gated_to_digital_silence():
    is_open = (healthy.times() % 6 < 4)[:, None]
    audio = healthy.dark()
    audio += np.sqrt((audio**2).mean()) * mains(50)
    assert hum_of(audio * is_open).found


@pytest.mark.parametrize("rate_hz", [8000, 44100, 96000])
def test_at_any_rate(rate_hz):
    times_s = np.arange(10 * rate_hz) / rate_hz
    wave = sum(0.01 * np.sin(2 * np.pi * 50 * k * times_s) for k in range(1, 7))[:, None]
    noise = 1e-4 * np.random.default_rng(1).standard_normal((len(wave), 1))
    found = hum_of(wave + noise, rate_hz)
    assert found.harmonics == (1, 2, 3, 4, 5, 6)
    assert found.level_dbfs == pytest.approx(20 * np.log10(0.01 * np.sqrt(6)), abs=0.3)
