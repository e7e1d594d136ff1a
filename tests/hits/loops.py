"""Loops whose hits are known: strokes laid out by a sequencer of our own, bleed of other drums, and noise.

Detection is judged as is usual for onsets: a hit found within the tolerance of a true one counts once, each
paired with one other at most, and F is the harmonic mean of how many true hits are found and how many of
those found are true.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment

from busproc.demo.instruments_struck import _BAR_RATIO, _MEMBRANE_RATIO
from busproc.hits.placing import onset_frame
from busproc.hits.strength import strength_dbfs
from busproc.kernels.synth import add_modes

RATE_HZ = 48000
LOUDEST_DBFS = -12.0
NOISE_DB = -65.0
STEPS_IN_BAR = 16
STRUCK, FLAMS, BLEEDING = 0.4, 0.06, 0.25
"""Shares of steps with a stroke, of strokes that are flams, and of steps with a stroke of another drum."""


@dataclass(frozen=True)
class Loop:
    """A recording `(frames, channels)` and where its hits are."""

    sound: np.ndarray
    rate_hz: int
    truth_s: np.ndarray


def kick(rng, loud):
    time_s = np.arange(round(0.4 * RATE_HZ)) / RATE_HZ
    turns = np.cumsum(52 + 90 * np.exp(-time_s / 0.02)) / RATE_HZ
    tone = np.sin(2 * np.pi * turns) * np.exp(-time_s / 0.09) * (1 - np.exp(-time_s / 0.001))
    return tone + 0.3 * loud * rng.normal(size=len(time_s)) * np.exp(-time_s / 0.003)


def snare(rng, loud):
    time_s = np.arange(round(0.3 * RATE_HZ)) / RATE_HZ
    skin = np.sin(2 * np.pi * 187 * time_s) + 0.6 * np.sin(2 * np.pi * 331 * time_s)
    wires = rng.normal(size=len(time_s)) * np.exp(-time_s / 0.06) * (1 - np.exp(-time_s / 0.0006))
    return skin * np.exp(-time_s / 0.05) + (0.4 + 0.5 * loud) * wires


def hat(rng, loud):
    time_s = np.arange(round(0.12 * RATE_HZ)) / RATE_HZ
    return np.diff(rng.normal(size=len(time_s) + 2), 2) * np.exp(-time_s / (0.012 + 0.02 * loud))


def tom(rng, loud):
    return _modes(110.0 * _MEMBRANE_RATIO, 1 / (1 + np.arange(10) / (0.4 + 2 * loud)), 0.7, 0.0015)


def skin(rng, loud):
    weights = np.exp(-_MEMBRANE_RATIO * 73 / (300 + 900 * loud)) * [0.16, 0.3, 0.35, *[0.25] * 7]
    return _modes(73.0 * _MEMBRANE_RATIO, weights, 0.4, 0.002)


def bar(rng, loud):
    ratios = np.array(_BAR_RATIO)
    return _modes(262.0 * ratios, np.exp(-262 * ratios / (900 + 2600 * loud)), 0.9, 0.0015)


def block(rng, loud):
    return _modes(
        930.0 * np.array([1.0, 1.47, 2.56, 3.9]), np.array([1, 0.5, 0.3, 0.12 * loud]), 0.16, 0.0007
    )


def _modes(freq_hz, weights, ring_s, attack_s):
    out = np.zeros((round(0.6 * RATE_HZ), 1))
    decays = ring_s / (1 + 0.5 * np.arange(len(freq_hz)))
    add_modes(out, 0, np.asarray(freq_hz), np.asarray(weights)[:, None], decays, attack_s, 0.0, 1e9, RATE_HZ)
    return out[:, 0]


DRUMS = {each.__name__: each for each in (kick, snare, hat, tom, skin, bar, block)}


def play(drum, others, *, seed, bpm, bars, rate_hz=RATE_HZ, spread_db=30.0, bleed_db=(-20.0, -12.0)):
    """A stem of one drum by a human hand, on steps of a bar of four beats.

    `drum(rng, loud)` gives a stroke, `loud` from 0 to 1; strokes are laid with their onset where it is said
    and made as strong as drawn, against the loudest. Where another drum bleeds in it is as strong as drawn
    from `bleed_db`, and it strikes where this drum rests or is 6 dB stronger: what is hidden nobody can hear.
    """
    rng = np.random.default_rng(seed)
    step_s = 240.0 / bpm / STEPS_IN_BAR
    steps = STEPS_IN_BAR * bars
    sound = np.zeros(round((steps * step_s + 2.0) * rate_hz))
    truth = []
    for step in range(steps):
        at_s = 0.3 + step * step_s + rng.normal(0, 0.003)
        level_db = -spread_db * rng.random() if rng.random() < STRUCK else None
        if step == 0:
            level_db = 0.0
        if level_db is not None:
            if rng.random() < FLAMS:
                grace_db = level_db - rng.uniform(0, 6)
                _lay(sound, drum, rng, at_s - 0.03, grace_db, rate_hz, spread_db)
                truth.append(at_s - 0.03)
            _lay(sound, drum, rng, at_s, level_db, rate_hz, spread_db)
            truth.append(at_s)
        for other in others:
            bleed = rng.uniform(*bleed_db)
            if rng.random() < BLEEDING and (level_db is None or bleed < level_db - 6):
                _lay(sound, other, rng, at_s + rng.normal(0, 0.003), bleed, rate_hz, 20.0)
    sound += 10 ** ((LOUDEST_DBFS + NOISE_DB) / 20) * rng.normal(size=len(sound))
    return Loop(sound[:, None], rate_hz, np.round(np.array(truth) * rate_hz) / rate_hz)


def _lay(sound, drum, rng, at_s, level_db, rate_hz, spread_db):
    stroke = drum(rng, max(0.0, 1 + level_db / spread_db))
    onset = onset_frame(stroke[:, None])
    begin = round(at_s * rate_hz) - onset
    own_db = strength_dbfs(stroke[:, None], onset, rate_hz)
    stroke = stroke[max(0, -begin) : len(sound) - begin]
    sound[max(0, begin) : max(0, begin) + len(stroke)] += stroke * 10 ** (
        (LOUDEST_DBFS + level_db - own_db) / 20
    )


def matched(truth_s, found_s, tolerance_s):
    """Pairs of true and found hits: as many as can be within the tolerance, the nearest of those."""
    apart = np.abs(np.subtract.outer(np.asarray(truth_s), np.asarray(found_s)))
    cost = np.where(apart <= tolerance_s, apart, 1e3)
    rows, columns = linear_sum_assignment(cost)
    near = cost[rows, columns] < 1e3
    return rows[near], columns[near]


def f_measure(truth_s, found_s, tolerance_s=0.010):
    return 2 * len(matched(truth_s, found_s, tolerance_s)[0]) / max(1, len(truth_s) + len(found_s))
