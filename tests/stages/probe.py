"""Ways to look into a stage from outside."""

from __future__ import annotations

import numpy as np

from busproc.chain import Chain
from busproc.stages.context import Context

RATE_HZ = 48000
BLOCK_FRAMES = 4096


def stereo(wave):
    """The same wave on both sides."""
    return np.column_stack([wave, wave])


def sine(freq_hz, frames, amplitude=1.0, rate_hz=RATE_HZ):
    return amplitude * np.sin(2 * np.pi * freq_hz / rate_hz * np.arange(frames))


def db(gain):
    """Decibels of a magnitude; of nothing, -400."""
    return 20 * np.log10(np.maximum(np.abs(gain), 1e-20))


def noise(frames, seed=0, level=1.0):
    return level * np.random.default_rng(seed).uniform(-1, 1, (frames, 2))


def streamed(stage, sound, rate_hz=RATE_HZ, keys=None):
    """What leaves a stage or chain for `sound (frames, 2)` or `(frames, lanes, 2)`, latency taken out.

    Planned with nothing known of the song, as in one pass over a live bus.
    """
    chain = stage if isinstance(stage, Chain) else Chain(stages=(stage,))
    plan = chain.plan(Context(rate_hz))
    frames, late = len(sound), plan.latency_frames
    lanes = np.concatenate([sound.reshape(frames, -1, 2), np.zeros((late, sound[0].size // 2, 2))])
    heard = {name: np.pad(key, ((0, late), (0, 0))) for name, key in (keys or {}).items()}
    state = chain.start(plan, lanes.shape[1])
    left = []
    for at in range(0, len(lanes), BLOCK_FRAMES):
        now = slice(at, at + BLOCK_FRAMES)
        left.append(chain.process(plan, state, lanes[now], {name: key[now] for name, key in heard.items()}))
    return np.concatenate(left)[late:].reshape(sound.shape)


def second_lane(stage, bus, other, rate_hz=RATE_HZ, keys=None):
    """What a stage that decides on `bus (frames, 2)` does to another sound `(frames, 2)`."""
    return streamed(stage, np.stack([bus, other], axis=1), rate_hz, keys)[:, 1]


def gain_curve(stage, bus, rate_hz=RATE_HZ, keys=None):
    """Gain that a stage decides on for `bus (frames, 2)`, in song time: what becomes of a lane of ones."""
    return second_lane(stage, bus, np.ones_like(bus), rate_hz, keys)[:, 0]


def response(stage, freq_hz, rate_hz=RATE_HZ, frames=1 << 14, sides=(1.0, 1.0)):
    """Complex response of left at given frequencies, from an impulse fed to left and right."""
    impulse = np.zeros((frames, 2))
    impulse[0] = sides
    left = streamed(stage, impulse, rate_hz)[:, 0]
    used = np.trim_zeros(left, "b")
    turns = np.outer(np.atleast_1d(freq_hz) / rate_hz, np.arange(len(used)))
    return np.exp(-2j * np.pi * turns) @ used
