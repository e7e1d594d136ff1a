"""Stems late by a buffer, and stems that simply begin later."""

import numpy as np
import pytest

from busproc.measure.faults.lateness import Start, late
from tests.measure import healthy

RATE_HZ = healthy.RATE_HZ


def delayed(audio, frames):
    return np.concatenate([np.zeros((frames, 2)), audio])[: len(audio)]


def recorded(seed):
    """A stem with a microphone's noise from its first frame on."""
    return (1e-3 * healthy.noise(seed))[: 2 * RATE_HZ]


def verdicts(size=4096, **stems):
    starts = {}
    for name, audio in stems.items():
        starts[name] = Start(RATE_HZ, audio.shape[1])
        for begin in range(0, len(audio), size):
            starts[name].feed(audio[begin : begin + size])
    return late(starts)


@pytest.mark.parametrize("frames", [32, 64, 128, 256, 512, 1024, 2048, 4096, 8192])
@pytest.mark.parametrize("size", [1000, 48000])
def test_a_stem_late_by_a_buffer_is_found(frames, size):
    found = verdicts(size, a=recorded(1), b=recorded(2), c=delayed(recorded(3), frames), d=recorded(4))
    assert [name for name, each in found.items() if each.found] == ["c"]
    assert found["c"].silent_frames == frames
    assert found["c"].others_at_once == 3
    assert found["c"].confidence == pytest.approx(0.9)


@pytest.mark.parametrize("frames", [0, 1, 31, 63, 100, 500, 1000, 1023, 1025, 3072, 16384])
def test_other_starts_are_no_buffer(frames):
    stems = {name: recorded(seed) for seed, name in enumerate("abd")}
    assert not any(each.found for each in verdicts(c=delayed(recorded(3), frames), **stems).values())


def test_a_note_that_begins_on_a_buffers_edge_is_music():
    wave = np.sin(2 * np.pi * 110 * healthy.times()) * np.minimum(1, healthy.times() / 0.02)
    note = delayed(healthy.stereo(wave), 1024)[: 2 * RATE_HZ]
    assert not verdicts(a=recorded(1), b=recorded(2), c=recorded(3), note=note)["note"].found


def test_it_takes_others_that_sound_at_once():
    late_one = delayed(recorded(3), 512)
    alone = verdicts(a=recorded(1), c=late_one)
    among_late = verdicts(a=recorded(1), b=delayed(recorded(2), 512), c=late_one, d=delayed(recorded(4), 512))
    among_pauses = verdicts(
        a=recorded(1), b=recorded(2), c=late_one, **{f"{n}": delayed(recorded(n), 9999) for n in range(5)}
    )
    for found in (alone, among_late, among_pauses):
        assert not any(each.found for each in found.values())


def test_silent_and_short_stems_have_no_start():
    found = verdicts(
        a=recorded(1), b=recorded(2), silent=np.zeros((9000, 2)), short=delayed(recorded(3), 64)[:200]
    )
    assert not any(each.found for each in found.values())
    assert found["silent"].silent_frames is None
    assert verdicts() == {}
