"""Clicks put into sounds at known places, and beginnings that are none."""

import numpy as np
import pytest

from busproc.measure.faults.clicks import ClickSearch
from tests.measure import healthy

RATE_HZ = healthy.RATE_HZ


def clicks(audio, rate_hz=RATE_HZ):
    search = ClickSearch(rate_hz, audio.shape[1])
    for start in range(0, len(audio), 4096):
        search.feed(audio[start : start + 4096])
    return search.finding()


def places(count=12, seed=4):
    """So many frames, a quarter of a second apart at least, away from where notes begin."""
    steps = np.random.default_rng(seed).permutation(np.arange(4, 43))[:count]
    return np.sort(steps * RATE_HZ // 4 + 6000 + steps * 13)


def hits(found, at):
    return sum(any(abs(frame / RATE_HZ - time_s) < 0.002 for time_s in found.times_s) for frame in at)


@pytest.mark.parametrize(
    ("name", "below_peak_db"),
    [
        ("dark", 0),
        ("few_partials", 0),
        *((name, below) for name in ("organ", "bass_on_the_mains") for below in (0, 6, 10)),
    ],
)
def test_single_samples_are_found(name, below_peak_db):
    audio, at = healthy.SOUNDS[name](), places()
    height = np.abs(audio).max() * 10 ** (-below_peak_db / 20)
    audio[at, 0] += height
    found = clicks(audio)
    assert hits(found, at) >= 10
    assert len(found.times_s) == hits(found, at)
    assert found.confidence > 0.5
    assert max(found.jumps) == pytest.approx(height, rel=0.4)


def test_a_click_tells_its_place():
    audio = healthy.organ()
    audio[300_123] += 0.5
    found = clicks(audio)
    assert found.times_s == (pytest.approx(300_123 / RATE_HZ, abs=0.001),)
    ((from_s, to_s),) = found.where
    assert from_s <= 300_123 / RATE_HZ <= to_s


def test_a_lost_sample_is_found():
    audio = 0.5 * healthy.stereo(np.sin(2 * np.pi * 441.3 * healthy.times())) + 1e-4 * healthy.noise(1)
    at = [frame + int(np.abs(audio[frame : frame + 109, 0]).argmax()) for frame in places(8)]
    audio[at] = 0.0
    found = clicks(audio)
    assert hits(found, at) == len(found.times_s) == len(at)


def test_a_careless_splice_is_found():
    audio = 0.5 * healthy.stereo(np.sin(2 * np.pi * 441.3 * healthy.times())) + 1e-4 * healthy.noise(1)
    found = clicks(np.concatenate([audio[:200_000], audio[200_050:]]))
    assert found.times_s == (pytest.approx(200_000 / RATE_HZ, abs=0.001),)


def test_a_faded_splice_is_not():
    audio = 0.5 * healthy.stereo(np.sin(2 * np.pi * 441.3 * healthy.times())) + 1e-4 * healthy.noise(1)
    ramp = np.linspace(0, 1, 480)[:, None]
    joined = audio[199_760:200_240] * (1 - ramp) + audio[199_810:200_290] * ramp
    assert not clicks(np.concatenate([audio[:199_760], joined, audio[200_290:]])).found


@pytest.mark.parametrize("frequency_hz", [25.0, 41.2, 110.0])
@pytest.mark.parametrize("shape", ["saw_wave", "square_wave"])
def test_edges_that_come_again_are_no_clicks(frequency_hz, shape):
    turns = frequency_hz * healthy.times()
    wave = turns % 1 - 0.5 if shape == "saw_wave" else np.sign(np.sin(2 * np.pi * turns))
    assert not clicks(0.5 * healthy.stereo(wave)).found


@pytest.mark.parametrize("decay_s", [0.003, 0.02, 0.2])
def test_hits_out_of_silence_are_no_clicks(decay_s):
    after_s = (healthy.times() - 0.1) % 0.4
    hit = np.sin(2 * np.pi * 180 * after_s + 0.9) * np.exp(-after_s / decay_s)
    burst = healthy.noise(2, 1)[:, 0] * np.exp(-after_s / decay_s)
    for wave in (hit, burst, hit + burst):
        assert not clicks(0.5 * healthy.stereo(wave) + 1e-5 * healthy.noise(3)).found


@pytest.mark.parametrize("decay_ms", [0.7, 1.5, 4.0])
def test_ticks_of_a_cymbal_over_a_chord_are_no_clicks(decay_ms):
    """They add next to nothing to the level, and stand out as far as a click does."""
    after_ms = 1000 * ((healthy.times() - 0.1) % 0.4)
    ticks = healthy.filtered(healthy.noise(2, 1), 2, 5000, "highpass") * np.exp(-after_ms / decay_ms)[:, None]
    audio = 0.2 * healthy.stereo(np.sin(2 * np.pi * 220 * healthy.times())) + 0.05 * ticks
    assert not clicks(audio + 1e-5 * healthy.noise(3)).found


@pytest.mark.parametrize("rate_hz", [16000, 44100, 96000])
def test_at_any_rate(rate_hz):
    times_s = np.arange(4 * rate_hz) / rate_hz
    audio = 0.3 * healthy.stereo(np.sin(2 * np.pi * 200 * times_s))
    audio += 1e-4 * np.random.default_rng(1).standard_normal(audio.shape)
    audio[2 * rate_hz + 5] += 0.2
    assert clicks(audio, rate_hz).times_s == (pytest.approx(2.0, abs=0.0011),)
