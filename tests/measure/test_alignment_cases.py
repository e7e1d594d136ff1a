"""Constructed pairs of known delay, polarity, noise and reverberation, and that they are what they say."""

from __future__ import annotations

import functools

import numpy as np
import pytest
import soxr
from scipy import signal

from busproc.demo import instruments_struck as struck
from busproc.demo.harbour_lamps import HARBOUR_LAMPS
from busproc.demo.instruments import Take

pytestmark = pytest.mark.slow

RATE_HZ = 48000
DELAYS = (0.3, 1.7, -3.45, 37.37, -111.11, 250.5, -399.9, 400.0)
COLOURS = {"white": 0, "pink": -3, "brown": -6}
SOUNDS = ("bursts", *COLOURS, "frame_drum", "wood_block", "shaker")


def random(seed):
    return np.random.default_rng(seed)


def at_unit_power(audio):
    return audio / np.sqrt((audio**2).mean())


def bursts(seconds, seed, rate_hz=RATE_HZ):
    """Bursts of noise of all colours that die away, up to ten a second."""
    draw, audio, at = random(seed), np.zeros(int(seconds * rate_hz)), 0
    while at < len(audio):
        decay = rate_hz * draw.uniform(0.02, 0.15)
        size = min(len(audio) - at, int(8 * decay))
        edges = [draw.uniform(40, 400), draw.uniform(2000, 16000)]
        burst = draw.uniform(0.3, 1) * draw.standard_normal(size) * np.exp(-np.arange(size) / decay)
        audio[at : at + size] += signal.sosfilt(
            signal.butter(1, edges, "bandpass", fs=rate_hz, output="sos"), burst
        )
        at += int(rate_hz * draw.uniform(0.1, 0.4))
    return audio


def coloured(seconds, seed, db_per_octave, rate_hz=RATE_HZ):
    """Noise that falls with frequency from 50 Hz on."""
    lines = np.fft.rfft(random(seed).standard_normal(int(seconds * rate_hz)))
    freqs_hz = np.fft.rfftfreq(int(seconds * rate_hz), 1 / rate_hz)
    gains = (np.maximum(freqs_hz, 50) / 1000) ** (db_per_octave / (20 * np.log10(2)))
    return np.fft.irfft(lines * gains, int(seconds * rate_hz))


@functools.cache
def played(name):
    return getattr(struck, name)(Take(HARBOUR_LAMPS, RATE_HZ, random(1))).mean(axis=1)


def struck_sound(name, seconds, seed):
    """A passage of an instrument of the demo song, where it plays."""
    whole, size = played(name), int(seconds * RATE_HZ)
    loud = np.flatnonzero(np.abs(whole) > 0.1 * np.abs(whole).max())
    first = int(random(seed).choice(loud[loud < len(whole) - size]))
    return whole[first : first + size]


def faded(audio):
    """The same between silences of 20 ms, faded in and out: nothing is cut off."""
    silent, ramp = int(0.02 * RATE_HZ), np.sin(np.linspace(0, np.pi / 2, int(0.05 * RATE_HZ))) ** 2
    ends = np.concatenate([np.zeros(silent), ramp])
    gain = np.ones(len(audio))
    gain[: len(ends)], gain[-len(ends) :] = ends, ends[::-1]
    return at_unit_power(audio * gain)


def sound(name, seconds, seed):
    if name == "bursts":
        return faded(bursts(seconds, seed))
    if name in COLOURS:
        return faded(coloured(seconds, seed, COLOURS[name]))
    return faded(struck_sound(name, seconds, seed))


def late(audio, frames):
    """The same so many frames later, exactly: every line of the spectrum turned."""
    padded = np.pad(audio, 2048)
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(len(padded)) * frames)
    return np.fft.irfft(np.fft.rfft(padded) * turn, len(padded))[2048 : 2048 + len(audio)]


def noisy(audio, snr_db, seed):
    """White noise added, so much under the sound's power; none where that is None."""
    if snr_db is None:
        return audio
    return audio + random(seed).standard_normal(len(audio)) * np.sqrt((audio**2).mean()) * 10 ** (
        -snr_db / 20
    )


def room(direct_to_reverberant_db, seed, rate_hz=RATE_HZ):
    """Response of a room: direct sound, then from 2 ms on noise that decays by 60 dB in 0.4 s."""
    response = random(seed).standard_normal(int(0.5 * rate_hz))
    response *= 10 ** (-3 * np.arange(len(response)) / (0.4 * rate_hz))
    response[: int(0.002 * rate_hz)] = 0
    response *= 10 ** (-direct_to_reverberant_db / 20) / np.sqrt((response**2).sum())
    response[0] = 1
    return response


def in_room(audio, direct_to_reverberant_db, seed):
    if direct_to_reverberant_db is None:
        return audio
    return signal.fftconvolve(audio, room(direct_to_reverberant_db, seed))[: len(audio)]


def pair(source, frames, polarity=1, snr_db=None, drr_db=None, seed=0):
    """Two microphones on a source, each with noise and a room of its own, the other late."""
    one = in_room(source, drr_db, 10 * seed + 1)
    other = polarity * late(in_room(source, drr_db, 10 * seed + 2), frames)
    return noisy(one, snr_db, 10 * seed + 3), noisy(other, snr_db, 10 * seed + 4)


def hard_case(seed):
    """A pair at the edge of what can be known, by its seed: `(one, other, frames, polarity)`.

    A fifth each: much noise; noise and reverberation; much reverberation; the other holds a sound of its own
    over the common one; nothing in common, for which frames is NaN.
    """
    draw = random(seed)
    seconds, kind = draw.choice([1.0, 3.0, 6.0]), seed % 5
    frames, polarity = draw.uniform(-400, 400), int(draw.choice([-1, 1]))
    names = draw.permutation(SOUNDS)
    source, own = sound(names[0], seconds, 2 * seed), sound(names[1], seconds, 2 * seed + 1)
    if kind == 0:
        return *pair(source, frames, polarity, draw.uniform(-25, 0), seed=seed), frames, polarity
    if kind == 1:
        levels = draw.uniform(-10, 20), draw.uniform(-15, 0)
        return *pair(source, frames, polarity, *levels, seed=seed), frames, polarity
    if kind == 2:
        return *pair(source, frames, polarity, 60, draw.uniform(-18, -4), seed=seed), frames, polarity
    if kind == 3:
        return (
            source,
            own + 10 ** (-draw.uniform(5, 30) / 20) * polarity * late(source, frames),
            frames,
            polarity,
        )
    return source, own, np.nan, polarity


@pytest.mark.parametrize("frames", [0.3, 7.25, 399.5])
def test_the_delay_is_that_of_a_resampler(frames):
    """Of 20 times the rate by soxr, delayed by whole frames there and thinned out."""
    audio = signal.sosfilt(signal.butter(8, 15000, fs=RATE_HZ, output="sos"), bursts(1, 1))
    fine = soxr.resample(audio, RATE_HZ, 20 * RATE_HZ, "VHQ")
    by = round(20 * frames)
    expected = np.concatenate([np.zeros(by), fine])[::20][: len(audio)]
    middle = slice(4000, 40000)
    np.testing.assert_allclose(late(audio, frames)[middle], expected[middle], atol=1e-4)


@pytest.mark.parametrize("drr_db", [-6.0, 0.0])
def test_a_room_has_its_ratio(drr_db):
    response = room(drr_db, 3)
    assert 10 * np.log10(response[0] ** 2 / (response[1:] ** 2).sum()) == pytest.approx(drr_db, abs=1e-9)


def test_noise_has_its_ratio():
    audio = bursts(2, 4)
    left = noisy(audio, 10, 5) - audio
    assert 10 * np.log10((audio**2).mean() / (left**2).mean()) == pytest.approx(10, abs=0.1)


@pytest.mark.parametrize("name", SOUNDS)
def test_every_sound_sounds(name):
    assert (sound(name, 1.0, 6) ** 2).mean() == pytest.approx(1)
