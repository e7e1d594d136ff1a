"""Sessions made so that it is known what is wrong with them."""

from __future__ import annotations

import json

import numpy as np

from busproc.checking.check import check
from tests.songs import RATE_HZ, write_session

SECONDS = 8


def shaped(sound, gain_of):
    """Filtered by a gain for each frequency, without any phase."""
    freqs_hz = np.maximum(np.fft.rfftfreq(len(sound), 1 / RATE_HZ), 1.0)
    return np.fft.irfft(np.fft.rfft(sound, axis=0) * gain_of(freqs_hz)[:, None], len(sound), axis=0)


def late(sound, ms):
    """So much later, by the phases of the spectrum."""
    turn = 2 * np.pi * np.fft.rfftfreq(len(sound)) * ms / 1000 * RATE_HZ
    return np.fft.irfft(np.fft.rfft(sound, axis=0) * np.exp(-1j * turn)[:, None], len(sound), axis=0)


def white(seed, seconds=SECONDS, channels=1):
    return np.random.default_rng(seed).standard_normal((round(seconds * RATE_HZ), channels))


def band(low_hz, high_hz, seed, level_db=-20.0, channels=1):
    """Noise within a band, 24 dB an octave down on either side, over a floor of its own."""

    def gain_of(freqs_hz):
        return 1 / np.sqrt((1 + (freqs_hz / high_hz) ** 8) * (1 + (low_hz / freqs_hz) ** 8))

    made = shaped(white(seed, channels=channels), gain_of)
    floor = 1e-5 * white(seed + 1000, channels=channels)
    return 10 ** (level_db / 20) * made / np.sqrt((made**2).mean()) + floor


def strokes(seed, every_s=0.5, level_db=-20.0):
    """Bursts of pinkish noise over a floor of its own."""
    times_s = np.arange(SECONDS * RATE_HZ) / RATE_HZ
    made = shaped(white(seed), lambda f: f**-0.4 * (f > 40)) * np.exp(-(times_s % every_s) / 0.1)[:, None]
    return 10 ** (level_db / 20) * made / np.sqrt((made**2).mean()) + 1e-5 * white(seed + 1000)


def microphones(ms=2.31, polarity=-1, snr_db=25.0):
    """A drum before two microphones of unlike colour, the second late by so much, and a pad beside."""
    near = strokes(1)
    far = late(shaped(near, lambda f: 0.6 / np.sqrt(1 + (f / 500) ** 2) + 0.05), ms) * polarity
    hiss = 10 ** (-snr_db / 20)
    return {
        "drum top": near + hiss * np.sqrt((near**2).mean()) * white(2),
        "drum under": far + hiss * np.sqrt((far**2).mean()) * white(3),
        "pad": band(300, 3000, 4, -30),
    }


def checked(folder, stems, **rest):
    return check(write_session(folder, stems, **rest))


def of_kind(found, kind):
    return [each for each in found.findings if each.kind == kind]


def with_change(session, change):
    """The session file with a suggestion pasted into the stem that it names."""
    document = json.loads(session.read_text())
    stem = next(each for each in document["stems"] if each["name"] == change["stem"])
    stem.update({key: value for key, value in change.items() if key != "stem"})
    session.write_text(json.dumps(document))
    return session
