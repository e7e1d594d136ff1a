"""Slow, obvious implementations to hold the fast ones against. They share no code with the package."""

from __future__ import annotations

import math

import numpy as np

GUARD_FRAMES = 2048  # silence around a sound before it is interpolated, so that its ends do not meet


def static_gain_db(level_db, threshold_db, ratio, knee_db):
    """Gain computer of Giannoulis, Massberg, Reiss, JAES 60(6), 2012: output less input, in dB."""
    over = level_db - threshold_db
    if 2 * over < -knee_db:
        return 0.0
    if 2 * abs(over) <= knee_db and knee_db > 0:
        return (1 / ratio - 1) * (over + knee_db / 2) ** 2 / (2 * knee_db)
    return (1 / ratio - 1) * over


def smooth_branching(wanted, attack_frames, release_frames):
    """Smooth branching peak detector of the same paper, time constants in frames; starts at 0."""
    last, out = 0.0, []
    for value in wanted:
        frames = attack_frames if value > last else release_frames
        alpha = math.exp(-1 / frames) if frames else 0.0
        last = alpha * last + (1 - alpha) * value
        out.append(last)
    return np.array(out)


def running_rms(x, window_frames):
    """Square root of a one-pole mean of squares, raised so that a sine reads its own peak."""
    alpha, mean, out = math.exp(-1 / window_frames), 0.0, []
    for value in x:
        mean = alpha * mean + (1 - alpha) * value**2
        out.append(math.sqrt(2 * mean))
    return np.array(out)


def sliding_minimum(x, length):
    """Smallest of the last `length` values, fewer at the start."""
    return np.array([min(x[max(0, n - length + 1) : n + 1]) for n in range(len(x))])


def running_mean(x, length, before):
    """Mean of the last `length` values; `before` stands for those ahead of the first."""
    padded = [before] * (length - 1) + list(x)
    return np.array([math.fsum(padded[n : n + length]) / length for n in range(len(x))])


def direct_form(coefficients, x):
    """One section (b0, b1, b2, a1, a2) as its difference equation says, direct form I, from rest."""
    b0, b1, b2, a1, a2 = coefficients
    y = []
    for n, value in enumerate(x):
        x1, x2 = (x[n - 1] if n > 0 else 0.0), (x[n - 2] if n > 1 else 0.0)
        y1, y2 = (y[n - 1] if n > 0 else 0.0), (y[n - 2] if n > 1 else 0.0)
        y.append(b0 * value + b1 * x1 + b2 * x2 - a1 * y1 - a2 * y2)
    return np.array(y)


def analog_shape(shape, gain_db, q, s):
    """Prototype of a cookbook bell or shelf at the complex frequency `s`, centre 1."""
    a = 10 ** (gain_db / 40)
    if shape == "bell":
        return (s**2 + s * a / q + 1) / (s**2 + s / (a * q) + 1)
    if shape == "low_shelf":
        return a * (s**2 + s * math.sqrt(a) / q + a) / (a * s**2 + s * math.sqrt(a) / q + 1)
    return a * (a * s**2 + s * math.sqrt(a) / q + 1) / (s**2 + s * math.sqrt(a) / q + a)


def warped(freq_hz, centre_hz, rate_hz):
    """Frequency of the analog prototype, centre 1, that the bilinear transform puts at `freq_hz`."""
    return np.tan(np.pi * np.asarray(freq_hz) / rate_hz) / math.tan(math.pi * centre_hz / rate_hz)


def interpolate(audio, factor):
    """The wave through the samples `(frames, channels)`, `factor` points a frame, by Fourier series."""
    size = 1 << (len(audio) + 2 * GUARD_FRAMES - 1).bit_length()
    padded = np.zeros((size, audio.shape[1]))
    padded[GUARD_FRAMES : GUARD_FRAMES + len(audio)] = audio
    lines = np.fft.rfft(padded, axis=0)
    lines[-1] /= 2  # the line at Nyquist stands for two
    fine = np.fft.irfft(lines, n=size * factor, axis=0) * factor
    return fine[GUARD_FRAMES * factor : (GUARD_FRAMES + len(audio)) * factor]


def harmonic_amplitudes(wave, cycles, orders):
    """Amplitudes of harmonics of a sine with a whole number of `cycles` in `wave (frames,)`."""
    lines = np.abs(np.fft.rfft(wave)) * 2 / len(wave)
    return lines[[cycles * order for order in orders]]
