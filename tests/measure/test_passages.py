"""The loudest, the quietest and the most changing passage."""

import numpy as np
import pyloudnorm
import pytest

from busproc.errors import InputError
from busproc.measure.passages import Passages
from tests.published.loudness_signals import programme, tone_steps

RATE_HZ = 8000
ALL = ("loudest", "quietest", "most_changing")


def passages_of(audio, length_s=15.0, rate_hz=RATE_HZ, size=None):
    passages = Passages(rate_hz, length_s)
    for start in range(0, len(audio), size or max(len(audio), 1)):
        passages.feed(audio[start : start + (size or len(audio))])
    return passages


def everything(passages):
    return [getattr(passages, name)() for name in ALL]


@pytest.mark.parametrize("size", [1, 7, 1000])
def test_block_size_does_not_matter(size):
    audio = programme(RATE_HZ, 8, seed=1)
    assert everything(passages_of(audio, 4.0, size=size)) == everything(passages_of(audio, 4.0))


def test_they_are_found_where_they_were_put():
    steps = [(-20, 20), (-10, 15), (-20, 20), (-26, 15), (-20, 10), (-18, 7.5), (-27, 7.5), (-20, 20)]
    passages = passages_of(tone_steps(RATE_HZ, steps))
    assert passages.loudest() == (20.0, 35.0)
    assert passages.quietest() == (55.0, 70.0)
    changes = passages_of(tone_steps(RATE_HZ, [(-20, 40), (-14, 7.5), (-26, 7.5), (-20, 40)]))
    assert changes.most_changing() == pytest.approx((40.0, 55.0), abs=1.5)
    rises = passages_of(tone_steps(RATE_HZ, [(-30, 60), (-12, 20)]))
    assert rises.most_changing() == pytest.approx((52.5, 67.5), abs=1.5)


def test_other_lengths():
    steps = [(-20, 10), (-10, 4), (-20, 10), (-30, 4), (-20, 10)]
    passages = passages_of(tone_steps(RATE_HZ, steps), 4.0)
    assert passages.loudest() == (10.0, 14.0)
    assert passages.quietest() == (24.0, 28.0)


def test_silence_and_near_silence_are_not_the_quietest():
    steps = [(None, 20), (-20, 20), (-24, 16), (-20, 20), (None, 20), (-20, 16), (-50, 30)]
    passages = passages_of(tone_steps(RATE_HZ, steps))
    assert passages.quietest() == (40.0, 55.0)
    from_s, to_s = passages.most_changing()
    assert from_s > 19
    assert to_s < 77


def test_no_other_passage_is_louder_by_another_meter():
    audio = programme(RATE_HZ, 60, seed=5)
    meter = pyloudnorm.Meter(RATE_HZ, filter_class="DeMan")
    filtered = audio.copy()
    for stage in meter._filters.values():
        for channel in range(2):
            filtered[:, channel] = stage.apply_filter(filtered[:, channel])
    power = (filtered**2).sum(axis=1)
    levels = [
        10 * np.log10(power[start : start + 15 * RATE_HZ].mean()) for start in range(0, 45 * RATE_HZ, 800)
    ]
    found = passages_of(audio).loudest()
    assert levels[round(10 * found.from_s)] == pytest.approx(max(levels), abs=0.01)
    assert max(levels) - min(levels) > 1


@pytest.mark.parametrize("frames", [0, 100, 8000, 14 * 8000 + 3])
def test_a_shorter_sound_is_one_passage(frames):
    audio = programme(RATE_HZ, 14.1, seed=2)[:frames]
    assert everything(passages_of(audio)) == [(0.0, frames / RATE_HZ)] * 3


def test_where_all_is_alike_the_first_is_taken():
    assert everything(passages_of(tone_steps(RATE_HZ, [(-20, 40)]))) == [(0.0, 15.0)] * 3
    assert everything(passages_of(np.zeros((40 * RATE_HZ, 2)))) == [(0.0, 15.0)] * 3


@pytest.mark.parametrize("rate_hz", [11025, 44100])
def test_passages_lie_within_the_sound(rate_hz):
    audio = programme(rate_hz, 20.03, seed=3)
    for from_s, to_s in everything(passages_of(audio, rate_hz=rate_hz)):
        assert 0 <= from_s < to_s <= len(audio) / rate_hz
        assert to_s - from_s == pytest.approx(15.0)


def test_a_passage_needs_three_seconds():
    with pytest.raises(InputError, match="ask for 3 s or more"):
        Passages(RATE_HZ, 2.9)
