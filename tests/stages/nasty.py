"""Sounds that are hard to keep under a ceiling, 0.25 s each at 48 kHz, mono `(frames,)`."""

from __future__ import annotations

import numpy as np

from tests.stages.probe import RATE_HZ, sine

FRAMES = RATE_HZ // 4
COUNT = np.arange(FRAMES)
TIME_S = COUNT / RATE_HZ


def _rng(seed):
    return np.random.default_rng(seed)


def _band(low_hz, high_hz, peak):
    lines = np.fft.rfft(_rng(3).normal(size=FRAMES))
    freq_hz = np.fft.rfftfreq(FRAMES, 1 / RATE_HZ)
    lines[(freq_hz < low_hz) | (freq_hz > high_hz)] = 0
    made = np.fft.irfft(lines, FRAMES)
    return peak * made / np.abs(made).max()


def _ensemble():
    strokes = _rng(4).normal(size=FRAMES) * np.exp(-9 * (8 * TIME_S % 1))
    return sine(110, FRAMES, 1.2) + sine(2217, FRAMES, 0.8) + 0.4 * strokes


FULL_BAND = {
    "random signs": _rng(1).choice([-1.0, 1.0], FRAMES),
    "clipped white noise": np.clip(_rng(2).normal(size=FRAMES), -1, 1),
    "alternating, flipped each 128": (-1.0) ** (COUNT + COUNT // 128),
    "alternating, flipped each 7": (-1.0) ** (COUNT + COUNT // 7),
    "signs of a sinc": np.sign(np.sinc(COUNT - FRAMES // 2 + 0.5)),
    "quarter rate between samples": np.sqrt(2) * np.sin(np.pi / 2 * COUNT + np.pi / 4),
    "third of the rate": 1.4 * np.sin(2 * np.pi / 3 * COUNT + 0.3),
    "sweep to 24 kHz": np.sin(2 * np.pi * (20 * TIME_S + 11990 * TIME_S**2 / TIME_S[-1])),
    "noise 18 to 24 kHz": _band(18000, 24000, 1.5),
    "noise to 20 kHz": _band(20, 20000, 2.0),
    "noise 10 to 20 kHz": _band(10000, 20000, 2.0),
    "23 kHz": sine(23000, FRAMES, 1.2),
    "20 kHz on and off": sine(20000, FRAMES, 1.5) * (20 * TIME_S % 1 < 0.5),
    "impulses": 2.0 * (COUNT % 997 == 0),
    "pairs of impulses": 2.0 * (COUNT % 997 < 2),
    "square wave": np.sign(np.sin(2 * np.pi * 1000 * TIME_S + 0.01)),
    "sawtooth": 2 * (440 * TIME_S % 1) - 1,
    "bursts of 5 kHz": sine(5000, FRAMES, 2.0) * (40 * TIME_S % 1 < 0.3),
    "clipped ensemble": np.clip(_ensemble(), -1, 1),
    "ensemble far over": 2 * _ensemble(),
}


def up_to_20_khz(wave):
    """The sound with silence around it and a smooth fall at 19.9 kHz."""
    lines = np.fft.rfft(np.pad(wave, 2000))
    freq_hz = np.fft.rfftfreq(len(wave) + 4000, 1 / RATE_HZ)
    return np.fft.irfft(lines / (1 + np.exp((freq_hz - 19900) / 40)), len(wave) + 4000)


def both_sides(wave):
    """Stereo with a quieter other side that peaks elsewhere."""
    return np.column_stack([wave, 0.7 * wave[::-1]])
