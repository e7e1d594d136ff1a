"""Healthy sounds that look much like a fault: nothing is found, whatever the sizes of the blocks."""

import numpy as np
import pytest

from busproc.measure.faults.stem import StemFaults
from tests.measure import healthy

ONE_SOUND = {"square_wave", "saw_wave", "steps", "stepped_triangle", "quiet_sixteen_bit", "full_sine"}
"""Made alike on both sides, so that is what they are."""


def findings(audio, size=4096):
    stem = StemFaults(healthy.RATE_HZ, audio.shape[1])
    for start in range(0, len(audio), size):
        stem.feed(np.ascontiguousarray(audio[start : start + size]))
    return stem.findings()


@pytest.mark.parametrize("name", healthy.SOUNDS)
def test_a_healthy_sound_has_no_fault(name):
    found = findings(healthy.SOUNDS[name]())
    assert {kind for kind, each in found.items() if each.found} == {"one_sound"} & (
        {"one_sound"} if name in ONE_SOUND else set()
    )
    assert all(each.confidence < 0.5 for kind, each in found.items() if not each.found)


@pytest.mark.parametrize("size", [777, 48000])
def test_block_size_does_not_matter(size):
    audio = healthy.music()[: 6 * healthy.RATE_HZ] + 0.01
    audio = np.clip(audio, -0.1, 0.1)
    audio[100_000] += 0.3
    assert findings(audio, size) == findings(audio)


def test_a_mono_stem_has_no_sides():
    kinds = set(findings(healthy.music()[:96000, :1]))
    assert kinds == {"silence", "dc", "clipping", "clicks", "hum", "cutoff"}
    assert kinds | {"one_sound", "inverted", "low_end"} == set(findings(healthy.music()[:96000]))


@pytest.mark.parametrize("frames", [0, 1, 5000])
@pytest.mark.parametrize("channels", [1, 2])
def test_next_to_nothing_is_taken(frames, channels):
    found = findings(0.1 * np.random.default_rng(1).standard_normal((frames, channels)))
    assert {kind for kind, each in found.items() if each.found} <= {"silence"}


def test_silence_is_silence_and_nothing_else():
    found = findings(np.zeros((5 * healthy.RATE_HZ, 2)))
    assert {kind for kind, each in found.items() if each.found} == {"silence"}


@pytest.mark.parametrize("rate_hz", [8000, 16000, 44100, 96000, 192000])
def test_any_rate_is_taken(rate_hz):
    stem = StemFaults(rate_hz, 2)
    stem.feed(0.1 * np.random.default_rng(2).standard_normal((3 * rate_hz, 2)))
    assert not any(each.found for each in stem.findings().values())
