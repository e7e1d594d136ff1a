"""How far a sound lies from a reference, part by part."""

import numpy as np
import pytest

from busproc.measure.likeness import Character, likeness
from tests.published.loudness_signals import programme, tone_steps

RATE_HZ = 48000


def character_of(audio, rate_hz=RATE_HZ, size=None):
    character = Character(rate_hz)
    for start in range(0, len(audio), size or len(audio)):
        character.feed(audio[start : start + (size or len(audio))])
    return character


def noise(seconds=10, seed=1):
    return 0.1 * np.random.default_rng(seed).standard_normal((seconds * RATE_HZ, 2))


def shaped(audio, gain_db_of):
    """Audio with a gain over frequency, exactly."""
    lines = np.fft.rfft(audio, axis=0)
    gains = 10 ** (gain_db_of(np.fft.rfftfreq(len(audio), 1 / RATE_HZ)) / 20)
    return np.fft.irfft(lines * gains[:, None], n=len(audio), axis=0)


@pytest.mark.parametrize("size", [1, 7, 1000])
def test_block_size_does_not_matter(size):
    sound, reference = programme(8000, 4, seed=1), character_of(programme(8000, 4, seed=2), 8000)
    found, expected = (likeness(character_of(sound, 8000, each), reference) for each in (size, None))
    assert found == expected


@pytest.mark.parametrize("gain", [1.0, 2.0**-10, 4.0])
def test_a_gain_alone_is_no_difference(gain):
    found = likeness(character_of(gain * noise()), character_of(noise()))
    assert found.spectrum_db == pytest.approx(0, abs=1e-9)
    for part in (found.crest_db, found.range_db, found.side_to_mid_db):
        assert list(part.values()) == pytest.approx([0] * len(part), abs=1e-9)


@pytest.mark.parametrize("step_db", [6.0, -12.0])
def test_a_raised_half_reads_by_the_share_of_its_bands(step_db):
    # 13 of 31 bands lie above 1122 Hz; a step d in a share p has the standard deviation d sqrt(p (1 - p))
    found = likeness(
        character_of(shaped(noise(), lambda hz: np.where(hz > 1122.02, step_db, 0.0))), character_of(noise())
    )
    share = 13 / 31
    assert found.spectrum_db == pytest.approx(abs(step_db) * np.sqrt(share * (1 - share)), abs=0.05)
    assert found.by_third_octave_db[20] == pytest.approx(step_db * (1 - share), abs=0.05)
    assert found.by_third_octave_db[10] == pytest.approx(-step_db * share, abs=0.05)


def test_what_cannot_be_heard_is_no_difference():
    low = shaped(noise(), lambda hz: np.where(hz > 5623, -80.0, 0.0))
    lower = shaped(noise(), lambda hz: np.where(hz > 5623, -100.0, 0.0))
    assert likeness(character_of(low), character_of(lower)).spectrum_db < 0.01


def test_the_range_of_steps_is_their_difference():
    steps = character_of(tone_steps(RATE_HZ, [(-20, 15), (-28, 15)]))
    steady = character_of(tone_steps(RATE_HZ, [(-20, 30)]))
    found = likeness(steps, steady)
    assert found.range_db["whole"] == pytest.approx(8.0, abs=0.05)
    assert likeness(steady, steps).range_db["whole"] == pytest.approx(-8.0, abs=0.05)


def test_the_range_is_that_of_three_seconds():
    audio = tone_steps(RATE_HZ, [(-20, 1.5), (-40, 1.5)] * 5)
    assert character_of(audio).range_db()["whole"] == pytest.approx(0.0, abs=0.05)


def test_the_range_is_told_of_each_band():
    low, high = (
        tone_steps(RATE_HZ, steps, hz) for steps, hz in (([(-20, 30)], 60), ([(-20, 15), (-26, 15)], 9000))
    )
    found = character_of(low + high).range_db()
    assert found["low"] == pytest.approx(0.0, abs=0.05)
    assert found["high"] == pytest.approx(6.0, abs=0.05)


def test_crest_is_peak_over_rms_in_each_band():
    low, high = (tone_steps(RATE_HZ, [(-10, 10)], hz) for hz in (50, 2000))
    gated = high * (np.arange(len(high)) % 9600 < 960)[:, None]
    found = character_of(low + gated).crest_db()
    assert found["low"] == pytest.approx(3.01, abs=0.1)
    assert found["mid"] == pytest.approx(13.01, abs=1)  # a tenth of the time: 10 dB more
    assert likeness(character_of(low + gated), character_of(low + high)).crest_db["mid"] == pytest.approx(
        10.0, abs=1
    )


def test_width_is_told_of_each_band():
    mid, side = noise(seed=2)[:, :1], noise(seed=3)[:, :1]
    wide = np.hstack([mid + 0.5 * side, mid - 0.5 * side])
    narrower = np.hstack([mid + 0.25 * side, mid - 0.25 * side])
    found = likeness(character_of(narrower), character_of(wide)).side_to_mid_db
    assert list(found.values()) == pytest.approx([-6.02] * 4, abs=0.1)


def test_parts_that_do_not_exist_are_none():
    mono = np.repeat(noise(2)[:, :1], 2, axis=1)
    found = likeness(character_of(mono), character_of(noise(2)))
    assert set(found.side_to_mid_db.values()) == {None}
    assert set(found.range_db.values()) == {None}
    silent = likeness(character_of(np.zeros((RATE_HZ, 2))), character_of(noise(2)))
    assert (silent.spectrum_db, silent.by_third_octave_db) == (None, None)
    assert set(silent.crest_db.values()) == {None}


def test_rates_may_differ():
    found = likeness(character_of(programme(8000, 5, seed=4), 8000), character_of(noise(5)))
    assert len(found.by_third_octave_db) == 24
    assert list(found.crest_db) == ["whole", "low", "low_mid", "mid"]
