"""What is measured of one sound."""

import numpy as np
import pytest

from busproc.comparing.measures import Brightness, Measures
from tests.comparing.sounds import pink, song
from tests.measure.healthy import RATE_HZ, stereo

pytestmark = pytest.mark.slow


def measured(audio, rate_hz=RATE_HZ, size=65536):
    made = Measures(rate_hz)
    for at in range(0, len(audio), size):
        made.feed(np.ascontiguousarray(audio[at : at + size]))
    return made


def figures(audio, rate_hz=RATE_HZ, size=65536):
    return {(each.what, each.band): each.value for each in measured(audio, rate_hz, size).figures()}


def tone(freq_hz, seconds=4, rate_hz=RATE_HZ):
    return stereo(0.5 * np.sin(2 * np.pi * freq_hz * np.arange(seconds * rate_hz) / rate_hz))


def brightness(audio, rate_hz=RATE_HZ):
    made = Brightness(rate_hz)
    made.feed(audio)
    return made


@pytest.mark.parametrize("rate_hz", [44100, 48000])
@pytest.mark.parametrize("freq_hz", [100, 1000, 9000])
def test_a_tone_is_as_bright_as_its_frequency(freq_hz, rate_hz):
    assert brightness(tone(freq_hz, rate_hz=rate_hz), rate_hz).median_hz() == pytest.approx(freq_hz, rel=0.01)


def test_brightness_weighs_by_a_weighting():
    # IEC 61672-1 table 3: -19.1 dB at 100 Hz, 0 dB at 1 kHz; the mean of log frequency, weighed so
    share = 10**-1.91 / (1 + 10**-1.91)
    expected = 100**share * 1000 ** (1 - share)
    assert brightness(tone(100) + tone(1000)).median_hz() == pytest.approx(expected, rel=0.005)


def test_brightness_follows_the_seconds_and_leaves_out_silence():
    parts = np.concatenate([tone(200, 2), 0 * tone(200, 1), tone(3000, 1)])
    course = brightness(parts).course_hz()
    assert course[0] == pytest.approx(200, rel=0.01)
    assert course[2] is None
    assert course[3] == pytest.approx(3000, rel=0.01)


def test_the_low_end_is_told_against_the_whole():
    # two tones of one level: half of the power
    found = figures(tone(60, 8) + tone(2000, 8))
    assert found["low end against the whole", "below 120 Hz"] == pytest.approx(-3.01, abs=0.05)


def test_onsets_are_counted_by_the_minute():
    hits = np.zeros((10 * RATE_HZ, 2))
    noise = np.random.default_rng(1).standard_normal((2400, 1)) * np.exp(-np.arange(2400) / 600)[:, None]
    for start in range(RATE_HZ // 4, len(hits) - 2400, RATE_HZ // 2):
        hits[start : start + 2400] += noise
    assert figures(hits)["onsets", "whole"] == pytest.approx(120)


def test_nothing_depends_on_the_level():
    sound = song(seconds=12)
    one, other = measured(sound), measured(0.125 * sound)
    for mine, theirs in zip(one.figures(), other.figures(), strict=True):
        assert mine.value == pytest.approx(theirs.value, abs=1e-6)
    assert list(one.balance_db().values()) == pytest.approx(list(other.balance_db().values()), abs=1e-6)


def test_the_size_of_blocks_does_not_matter():
    sound = pink(3, 6)
    assert figures(sound, size=777) == figures(sound, size=len(sound))


def test_balance_is_told_at_equal_loudness():
    # BS.1770-5: 997 Hz at full scale on one side reads -3.01 LUFS, on both 0; its band reads its peak
    balance = measured(tone(997, 8)).balance_db()
    assert balance["1000"] == pytest.approx(0.0, abs=0.1)
    assert balance["100"] is None
