"""Sounds without a fault that look much like one, each made from a stated seed."""

from __future__ import annotations

import functools

import numpy as np
from scipy import signal

RATE_HZ = 48000
SECONDS = 12


def kept(make):
    """Made once; a copy for each who asks."""
    once = functools.cache(make)

    @functools.wraps(make)
    def copied(*args, **settings):
        return once(*args, **settings).copy()

    return copied


def times():
    return np.arange(SECONDS * RATE_HZ) / RATE_HZ


def noise(seed, columns=2, seconds=SECONDS):
    return np.random.default_rng(seed).standard_normal((round(seconds * RATE_HZ), columns))


def stereo(wave):
    return np.repeat(wave[:, None], 2, axis=1)


def spread(wave, seed=99):
    """A mono sound with a little room of its own on either side, as a recording has."""
    return stereo(wave) + 0.02 * np.sqrt((wave**2).mean()) * noise(seed)[: len(wave)]


def filtered(audio, order, freq_hz, kind="lowpass"):
    return signal.sosfilt(signal.butter(order, freq_hz, kind, fs=RATE_HZ, output="sos"), audio, axis=0)


def notes(freqs_hz, length_s, decay_s, wave=np.sin):
    """Notes one after the other, each from silence, falling and cut off by a ramp of 5 ms."""
    made = np.zeros(SECONDS * RATE_HZ)
    size = round(length_s * RATE_HZ)
    t = np.arange(size) / RATE_HZ
    shape = np.exp(-t / decay_s) * np.minimum(1, (t[-1] - t) / 0.005) * np.minimum(1, t / 0.002)
    for n, start in enumerate(range(0, len(made) - size, size)):
        made[start : start + size] = wave(2 * np.pi * freqs_hz[n % len(freqs_hz)] * t) * shape
    return made


@kept
def music(seed=1):
    """Chords, a bass and drums in a room, as wide as a record, with a floor of noise."""
    chord = sum(notes([f, f * 1.5], 0.75, 0.5, signal.sawtooth) for f in (220.0, 277.18, 329.63))
    bass = notes([55.0, 65.41, 49.0, 73.42], 0.375, 0.2)
    side = filtered(noise(seed + 1), 1, 2000) * np.abs(chord)[:, None]
    room = 0.3 * drums(seed, jump=0.0) + spread(0.1 * filtered(chord, 2, 4000) + 0.3 * bass) + 0.05 * side
    return 0.5 * room + 1e-4 * noise(seed + 2)


@kept
def drums(seed=2, every_s=0.25, jump=0.7):
    """Noise bursts and kicks that begin with a jump, unless told otherwise."""
    size = round(every_s * RATE_HZ)
    t = np.arange(size) / RATE_HZ
    kick = np.sin(2 * np.pi * (50 * t + 3 * (1 - np.exp(-t / 0.015))) + jump) * np.exp(-t / 0.08)
    rng = np.random.default_rng(seed)
    made = np.zeros((SECONDS * RATE_HZ, 2))
    for n, start in enumerate(range(2400, len(made) - size, size)):
        burst = rng.standard_normal((size, 1)) + 0.3 * rng.standard_normal((size, 2))
        hit = kick[:, None] if n % 2 else 0.3 * burst * np.exp(-t / 0.04)[:, None]
        made[start : start + size] = hit
    return made


@kept
def gated_drums():
    """Closed to digital silence 80 ms after each hit, by a ramp of 2 ms."""
    after_s = (times() - 0.05) % 0.25
    return 0.5 * drums() * np.clip((0.08 - after_s) / 0.002, 0, 1)[:, None]


@kept
def square_wave():
    """Drawn without regard to its bandwidth: flat at two levels for half the time each."""
    return spread(0.0 * times()) + stereo(notes([110.0, 165.0, 220.0], 0.5, 1e9, signal.square) * 0.5)


@kept
def saw_wave():
    return stereo(notes([41.2, 55.0, 61.74], 0.5, 1e9, signal.sawtooth) * 0.5)


@kept
def steps():
    """A voice of an old machine: four bits deep."""
    return stereo(np.round(notes([220.0, 330.0], 0.5, 0.4, signal.sawtooth) * 7) / 7 * 0.8)


@kept
def stepped_triangle():
    return stereo(np.round(signal.sawtooth(2 * np.pi * 110 * times(), 0.5) * 7.5) / 8)


@kept
def quiet_sixteen_bit():
    """A steady bass 60 dB under full scale in 16 bit: each top lies on one number for a while."""
    return np.round(stereo(1e-3 * np.sin(2 * np.pi * 73.42 * times())) * 32768) / 32768


@kept
def full_sine():
    """Normalised to the largest number of 16 bit, and not clipped."""
    return np.round(stereo(np.sin(2 * np.pi * 41.2 * times())) * 32767) / 32768


@kept
def dark():
    """An old ribbon: falls by 12 dB an octave from 1.5 kHz into its own noise."""
    return 0.3 * filtered(noise(5), 2, 1500) + 2e-5 * noise(6)


@kept
def dark_and_steep():
    """A synthesiser's filter of eighth order at 5 kHz, 48 dB an octave, over the rounding of 24 bit."""
    return 0.3 * filtered(noise(7), 8, 5000) + 1e-7 * noise(8)


@kept
def few_partials():
    """Tones up to 6 kHz and nothing above."""
    return spread(sum(np.sin(2 * np.pi * 500 * k * times() + k) for k in range(1, 13)) / 30)[:, :] * 0.5


@kept
def tremolo():
    return 0.2 * filtered(noise(9), 1, 3000) * (1 + 0.9 * np.sin(2 * np.pi * 5 * times()))[:, None]


@kept
def two_performances():
    """One part played twice, on either side."""
    left, right = (
        notes(np.array([196.0, 246.9, 293.7]) * detune, 0.5, 0.4, signal.sawtooth) for detune in (1, 1.003)
    )
    return 0.2 * np.stack([left, np.roll(right, 700)], axis=1) + 1e-4 * noise(11)


@kept
def bass_on_the_mains():
    """Notes of exactly 50 Hz with harmonics, over the noise of an amplifier."""
    played = sum(notes([50.0], 0.5, 0.3, lambda x, k=k: np.sin(k * x) / k) for k in range(1, 7))
    return spread(0.3 * played + 2e-4 * noise(12, 1)[:, 0])


@kept
def organ():
    """A chord that never stops, not on the mains' frequency, with a bellows."""
    tones = (98.0, 123.47, 146.83, 196.0)
    played = sum(np.sin(2 * np.pi * f * k * times()) / k for f in tones for k in range(1, 6))
    return spread(0.05 * played * (1 + 0.05 * np.sin(2 * np.pi * 0.7 * times())))


@kept
def wide_room():
    """Sides without anything in common, but for the low end."""
    return 0.2 * filtered(noise(13), 1, 2000) + 0.2 * stereo(filtered(noise(14, 1)[:, 0], 2, 200))


SOUNDS = {
    make.__name__: make
    for make in (
        music,
        drums,
        gated_drums,
        square_wave,
        saw_wave,
        steps,
        stepped_triangle,
        quiet_sixteen_bit,
        full_sine,
        dark,
        dark_and_steep,
        few_partials,
        tremolo,
        two_performances,
        bass_on_the_mains,
        organ,
        wide_room,
    )
}
