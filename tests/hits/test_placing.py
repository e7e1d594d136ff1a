"""Samples at hits: in phase to a tenth of a frame, as strong as asked, in turns."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy import signal

from busproc.hits.placing import onset_frame, place_strokes
from busproc.hits.reinforcing import Reinforce
from busproc.hits.settings import Hit, HitList
from busproc.hits.strength import strength_dbfs

RATE_HZ = 48000
SAMPLE = {"file": "a.wav"}


class Recording:
    """A sound read like a file."""

    def __init__(self, sound):
        self.info = SimpleNamespace(rate_hz=RATE_HZ, frames=len(sound))
        self._sound, self._at = sound, 0

    def read(self, frames):
        block = self._sound[self._at : self._at + frames]
        self._at += len(block)
        return block


def drum(freq_hz=200.0, decay_s=0.05, click=0.3, seed=0, still_frames=100):
    """An invented stroke after so much silence, `(frames, 1)`."""
    time_s = np.arange(round(0.4 * RATE_HZ)) / RATE_HZ
    tone = np.sin(2 * np.pi * freq_hz * time_s) * np.exp(-time_s / decay_s) * (1 - np.exp(-time_s / 0.0008))
    noise = np.random.default_rng(seed).normal(0, click, len(time_s)) * np.exp(-time_s / 0.004)
    sound = (tone + noise) / np.abs(tone + noise).max()
    return np.pad(sound, (still_frames, 0))[:, None]


def late(sound, frames):
    """The sound so many parts of a frame later, by the phases of its spectrum."""
    padded = np.pad(sound[:, 0], (0, 256))
    turn = 2 * np.pi * np.fft.rfftfreq(len(padded)) * frames
    return np.fft.irfft(np.fft.rfft(padded) * np.exp(-1j * turn), len(padded))


def struck(sample, places, gains, floor_db=None, seed=1):
    """A recording of the sample at places between frames, over noise that reaches up to 8 kHz."""
    rng = np.random.default_rng(seed)
    sound = np.zeros(round(places[-1]) + 2 * len(sample))
    for place, gain in zip(places, gains, strict=True):
        whole = int(np.floor(place))
        stroke = late(sample, place - whole)
        sound[whole : whole + len(stroke)] += gain * stroke
    if floor_db is not None:
        noise = signal.sosfilt(signal.butter(2, 8000, fs=RATE_HZ, output="sos"), rng.normal(size=len(sound)))
        sound += noise / np.sqrt(np.mean(noise**2)) * 10 ** (floor_db / 20)
    return sound[:, None]


def hits_of(sound, frames):
    return HitList(
        hits=tuple(
            Hit(at_s=int(frame) / RATE_HZ, level_dbfs=strength_dbfs(sound, int(frame), RATE_HZ))
            for frame in frames
        )
    )


def levelled(levels_db, gap_s=0.5):
    return HitList(
        hits=tuple(Hit(at_s=0.5 + gap_s * n, level_dbfs=level) for n, level in enumerate(levels_db))
    )


def placed(hits, sounds, **settings):
    sound = np.zeros((round((hits.hits[-1].at_s + 1) * RATE_HZ), 1))
    return place_strokes(
        Recording(sound), hits, Reinforce(**{"hits": "h.json", "place": "at_onset"} | settings), sounds
    )


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("floor_db", [None, -40])
@pytest.mark.parametrize(("freq_hz", "decay_s"), [(60, 0.1), (200, 0.05), (400, 0.05), (3000, 0.03)])
def test_a_sample_is_brought_into_phase_within_a_tenth_of_a_frame(freq_hz, decay_s, floor_db, sign):
    rng = np.random.default_rng(freq_hz)
    sample = drum(freq_hz, decay_s)
    places = 24000 + 30000 * np.arange(40) + rng.uniform(-50, 50, 40)
    sound = struck(sample, places, sign * 10 ** (-rng.uniform(6, 20, 40) / 20), floor_db)
    told = np.round(places + onset_frame(sample)) + rng.integers(-60, 61, 40)
    settings = Reinforce(hits="h.json", samples=(SAMPLE,))
    strokes = place_strokes(Recording(sound), hits_of(sound, told), settings, [sample])
    errors = np.array([stroke.at_frame for stroke in strokes]) - places
    assert np.abs(errors).max() < 0.1
    assert all(stroke.gain * sign > 0 for stroke in strokes)


def test_flams_and_hits_at_either_end_are_placed_as_well():
    sample = drum(still_frames=0)
    places = np.array([2.25, 24000.5, 24000.5 + 0.03 * RATE_HZ, 60000.75])
    sound = struck(sample, places, [0.5, 0.3, 0.5, 0.4])[: 60000 + 1000]
    told = np.round(places + onset_frame(sample))
    settings = Reinforce(hits="h.json", samples=(SAMPLE,))
    strokes = place_strokes(Recording(sound), hits_of(sound, told), settings, [sample])
    np.testing.assert_allclose([stroke.at_frame for stroke in strokes], places, atol=0.1)


def test_a_sample_that_is_nothing_like_the_hit_stays_at_the_onset():
    rng = np.random.default_rng(7)
    sound = rng.normal(0, 0.1, (RATE_HZ, 1))
    settings = Reinforce(hits="h.json", samples=(SAMPLE,))
    hits = hits_of(sound, [10000, 30000])
    strokes = place_strokes(Recording(sound), hits, settings, [drum(80, 0.2, 0.0, still_frames=0)])
    assert [stroke.shift_frames for stroke in strokes] == [None, None]


@pytest.mark.parametrize("follow", [0.0, 0.5, 1.0])
def test_the_level_follows_the_strength_of_the_hit_by_the_stated_law(follow):
    sample = drum()
    levels = [-30.0, -18.0, -12.0, -15.0, -21.0]
    own_dbfs = strength_dbfs(sample, onset_frame(sample), RATE_HZ)
    strokes = placed(levelled(levels), [sample], samples=(SAMPLE,), follow=follow)
    played = [20 * np.log10(stroke.gain) + own_dbfs for stroke in strokes]
    np.testing.assert_allclose(played, [-18 + follow * (level + 18) for level in levels], atol=1e-9)


def test_samples_take_turns_and_those_of_one_strength_among_themselves():
    files = [{"file": f"{n}.wav", "from_db": None if n < 3 else -2.0} for n in range(5)]
    levels = [-20.0, -10.0, -20.0, -10.0, -20.0, -10.0, -20.0, -10.0, -10.0, -10.0, -20.0]
    strokes = placed(levelled(levels), [drum()] * 5, samples=files)
    assert [stroke.sample for stroke in strokes] == [0, 3, 1, 4, 2, 3, 0, 4, 3, 4, 1]


def test_only_weak_hits_are_reinforced_where_asked():
    levels = [-20.0, -10.0, -16.1, -15.9, -10.0, -9.0, -10.0]
    strokes = placed(levelled(levels), [drum()], samples=(SAMPLE,), only_below_db=-6)
    onset = onset_frame(drum())
    assert [stroke.at_frame + onset for stroke in strokes] == [0.5 * RATE_HZ, 1.5 * RATE_HZ]


def test_hits_too_weak_for_every_sample_are_left_as_they_are():
    strokes = placed(levelled([-20.0, -10.0, -10.0]), [drum()], samples=({"file": "a.wav", "from_db": -5},))
    assert len(strokes) == 2
