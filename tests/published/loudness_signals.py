"""Signals for testing loudness meters, made by formula from their published descriptions.

Levels are the peak of the sine in each channel, in dBFS. Arrays are float64 (frames, 2).
"""

from __future__ import annotations

import numpy as np
from scipy import signal

FADE_S = 0.1
"""A true-peak tone that began at full level would be a step, and its overshoot a higher peak."""

BURST_FADE_S = 0.02


def stereo(wave):
    return np.repeat(wave[:, None], 2, axis=1)


def tone_steps(rate_hz, steps, freq_hz=1000.0):
    """One sine through (level in dBFS or None for silence, seconds); edges rounded on the running total."""
    edges = np.rint(np.cumsum([0.0] + [seconds for _, seconds in steps]) * rate_hz).astype(int)
    gains = [0.0 if level is None else 10 ** (level / 20) for level, _ in steps]
    carrier = np.sin(2 * np.pi * freq_hz / rate_hz * np.arange(edges[-1]))
    return stereo(carrier * np.repeat(gains, np.diff(edges)))


def faded(wave, frames):
    """Raise and lower the ends along a cosine."""
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(frames) + 0.5) / frames)
    out = wave.copy()
    out[:frames] *= ramp
    out[-frames:] *= ramp[::-1]
    return out


def peak_tone(rate_hz, divisor, amplitude, phase_deg):
    """Tech 3341 cases 15 to 19: one second of a sine at rate / divisor from a given phase on."""
    sine = amplitude * np.sin(2 * np.pi * np.arange(rate_hz) / divisor + np.deg2rad(phase_deg))
    return stereo(faded(sine, int(FADE_S * rate_hz)))


def peak_burst(rate_hz, offset):
    """Tech 3341 cases 20 to 23: one period of rate / 4 at full scale inside rate / 6 at half of it.

    Made at four times the rate, limited to half the rate, then every fourth sample from `offset` on.
    """
    fine_hz = 4 * rate_hz
    periods = fine_hz // 96
    carrier = 0.5 * np.sin(2 * np.pi * np.arange(24 * periods) / 24)
    burst = np.sin(2 * np.pi * np.arange(16) / 16)
    whole = faded(np.concatenate((carrier, burst, carrier)), int(BURST_FADE_S * fine_hz))
    low_pass = signal.firwin(1023, 0.5, window=("kaiser", 10.0), fs=4.0)
    return stereo(np.convolve(whole, low_pass, mode="same")[offset::4])


def live_segments(tone_s, gap_step_s, gap_s):
    """Tech 3341 cases 11 and 14: 20 times silence, tone, silence, each tone 1 dB louder than the last."""
    return [[(None, gap_step_s * i), (-38.0 + i, tone_s), (None, gap_s - gap_step_s * i)] for i in range(20)]


def programme(rate_hz, seconds, seed):
    """Coloured noise, partly the same on both channels, whose level moves by 25 dB and now and then rests."""
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal((int(seconds * rate_hz), 3))
    coloured = signal.lfilter([0.05], [1, -0.95], noise, axis=0) + 0.02 * noise
    times_s = np.arange(0, seconds + 1, 0.7)
    levels_db = rng.uniform(-25, 0, len(times_s)) - 60 * (rng.uniform(size=len(times_s)) < 0.08)
    gain = 10 ** (np.interp(np.arange(len(noise)) / rate_hz, times_s, levels_db) / 20)
    return np.ascontiguousarray((coloured[:, :2] + coloured[:, 2:]) * gain[:, None])
