"""Struck, shaken and plucked: marimba, vibraphone, double bass, frame drum, shaker, wood block.

Ratios of the modes: bars tuned about 1 : 4 : 10, as makers tune marimbas; a circular membrane by the zeros of
the Bessel functions, 1, 1.594, 2.136, 2.296 and so on (N. H. Fletcher and T. D. Rossing, "The Physics of
Musical Instruments", chapters on bars and membranes; from memory). Decay times and strengths are chosen
by meter.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from busproc.demo.instruments import Take, in_room, key_hz, pan_gains
from busproc.kernels.synth import add_burst, add_modes, add_resonances, soften

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from busproc.demo.score import Note, Stroke

FOR_EVER_S = 1e9
_SKIN_HZ = 73.0
_LARGE_SKIN_HZ = 61.0
_BAR_RATIO = (1.0, 3.98, 9.6, 17.2)
_MEMBRANE_RATIO = np.array([1.0, 1.594, 2.136, 2.296, 2.653, 2.918, 3.156, 3.501, 3.6, 4.06])


def _touch(note: Note | Stroke, take: Take, late_ms: float) -> tuple[int, float]:
    """Frame and strength of a stroke as a human hand gives it; the strong beats are leaned on."""
    time = take.score.seconds(note.at) + take.sway(late_ms / 1000.0)
    lean = 1.0 if note.at % 3.0 == 0.0 else 0.82
    strength = take.intensity_at(take.score.seconds(note.at)) * lean * (1.0 + take.sway(0.06))
    return int(max(time, 0.0) * take.rate_hz), strength


def _strike(
    out: NDArray[np.float64],
    take: Take,
    start: int,
    freq_hz: NDArray[np.float64],
    gain: NDArray[np.float64],
    decay_s: NDArray[np.float64],
    *,
    attack_s: float,
    bend: float = 0.0,
    damp_s: float = FOR_EVER_S,
) -> None:
    """One stroke on what rings in modes: `freq_hz (modes,)`, `gain (modes, channels)`, times to -60 dB."""
    add_modes(out, start, freq_hz, gain, decay_s, attack_s, bend, damp_s, take.rate_hz)


def _strike_bar(
    out: NDArray[np.float64],
    take: Take,
    start: int,
    freq_hz: float,
    gains: NDArray[np.float64],
    *,
    ring_s: float,
    mallet_hz: float,
    damp_s: float = FOR_EVER_S,
) -> None:
    """One bar struck with a mallet: the softer it is, the longer it touches and the fewer high modes ring."""
    modes = freq_hz * np.array(_BAR_RATIO)
    weights = [w * math.exp(-f / mallet_hz) for w, f in zip((1.0, 0.5, 0.28, 0.15), modes, strict=True)]
    decays = ring_s * np.array([1.0, 0.3, 0.11, 0.05])
    knock = np.array([0.03, 0.03]) * math.exp(-freq_hz / 1500.0)
    _strike(out, take, start, modes, np.outer(weights, gains), decays, attack_s=0.0015, damp_s=damp_s)
    knock_hz, knock_s = np.array([310.0, 870.0]), np.array([0.06, 0.03])
    _strike(out, take, start, knock_hz, np.outer(knock, gains), knock_s, attack_s=0.001)


def marimba(take: Take) -> NDArray[np.float64]:
    """Ostinato in the right hand, roots in the left.

    Built-in fault: the lowest bars reach the right side 3 ms late, so the low end is wide.
    """
    out = take.silence(2)
    for note in take.notes("marimba"):
        start, strength = _touch(note, take, 5.0)
        freq = key_hz(note.key)
        gains = 0.8 * strength * pan_gains(min(max((note.key - 62) / 30.0, -0.5), 0.5))
        ring = 1.5 * math.pow(196.0 / freq, 0.8)
        _strike_bar(out, take, start, freq, gains, ring_s=ring, mallet_hz=900.0 + 2600.0 * strength)
    for note in take.notes("marimba_low"):
        start, strength = _touch(note, take, 5.0)
        for side, late_s in ((0, 0.0), (1, 0.003)):
            gains = np.zeros(2)
            gains[side] = 0.45 * strength
            place = start + int(late_s * take.rate_hz)
            _strike_bar(
                out, take, place, key_hz(note.key), gains, ring_s=2.6, mallet_hz=500.0 + 900.0 * strength
            )
    return in_room(out, take, 0.16)


def vibraphone(take: Take) -> NDArray[np.float64]:
    """Answers to the melody, pedal held for each note's length, the motor at a slow five turns a second."""
    out = take.silence(2)
    for note in take.notes("vibraphone"):
        start, strength = _touch(note, take, 8.0)
        freq = key_hz(note.key)
        held_s = take.held_s(note) + 0.15
        gains = (0.35 + 0.65 * strength) * pan_gains(min(max((note.key - 82) / 20.0, -0.6), 0.6))
        ring = 6.0 * math.pow(440.0 / freq, 0.6)
        mallet = 1500.0 + 3500.0 * strength
        _strike_bar(out, take, start, freq, gains, ring_s=ring, mallet_hz=mallet, damp_s=held_s)
    time = take.tick_times()
    frame_time = np.arange(take.frames) / take.rate_hz
    for side, phase in ((0, 0.0), (1, 0.9)):
        fan = [1.0 + 0.22 * math.sin(2.0 * math.pi * 5.1 * t + phase) for t in time]
        out[:, side] *= np.interp(frame_time, time, fan)
    return in_room(out, take, 0.2)


def bass_pizz(take: Take) -> NDArray[np.float64]:
    """Double bass, plucked: harmonics of a string plucked at a fifth of its length, through a body."""
    out = take.silence(1)
    k = np.arange(1.0, 25.0)
    place = np.array([math.sin(0.21 * math.pi * n) / n for n in k])
    stretch = np.array([n * math.sqrt(1.0 + 0.00012 * n * n) for n in k])
    for note in take.notes("bass"):
        start, strength = _touch(note, take, 9.0)
        freq = key_hz(note.key)
        held_s = take.held_s(note)
        dull = [math.exp(-f * freq / (350.0 + 900.0 * strength)) for f in stretch]
        gains = (0.3 + 0.7 * strength) * (place * np.array(dull))[:, np.newaxis]
        decays = 2.2 / (1.0 + 0.22 * k) * math.pow(65.0 / freq, 0.3)
        _strike(out, take, start, freq * stretch, gains, decays, attack_s=0.004, bend=0.006, damp_s=held_s)
    body = out.copy()
    _ring(out, body, (98.0, 205.0, 640.0), (2.5, 3.0, 2.0), (0.5, 0.6, 0.7), take)
    return in_room(out, take, 0.1)


def frame_drum(take: Take) -> NDArray[np.float64]:
    """Low frame drum: `d` is the middle of the skin, `t` the edge.

    Built-in fault: each accent shakes the stand, a thump at 23 Hz.
    """
    out = take.silence(1)
    slap = take.noise(1.7)
    flesh = take.silence(1)
    for stroke in take.strokes("frame_drum"):
        start, strength = _touch(stroke, take, 6.0)
        strength *= 1.0 if stroke.accent else 0.6
        _strike_skin(out, take, start, strength, low=stroke.letter == "d")
        hand = strength * (0.3 if stroke.letter == "d" else 0.5)
        add_burst(flesh, start, slap, int(0.0005 * take.rate_hz), 0.05 * take.rate_hz, hand)
        if stroke.accent and stroke.letter == "d":
            thump = np.array([[0.22 * strength]])
            _strike(out, take, start, np.array([23.0]), thump, np.array([0.8]), attack_s=0.03)
    soften(flesh, 2500.0, take.rate_hz)
    _ring(out, flesh, (900.0, 2400.0), (0.8, 0.7), (0.8, 0.6), take)
    return in_room(out, take, 0.15)


def low_skin(take: Take, strength: float) -> NDArray[np.float64]:
    """One stroke in the middle of a larger drum than the song's, close by, with nothing around it."""
    out, flesh = take.silence(1), take.silence(1)
    _strike_skin(out, take, 0, strength, low=True, skin_hz=_LARGE_SKIN_HZ)
    add_burst(flesh, 0, take.noise(0.5), int(0.0005 * take.rate_hz), 0.03 * take.rate_hz, 0.3 * strength)
    soften(flesh, 2500.0, take.rate_hz)
    return out + flesh


def _strike_skin(
    out: NDArray[np.float64], take: Take, start: int, strength: float, *, low: bool, skin_hz: float = _SKIN_HZ
) -> None:
    """Skin struck in the middle, where few modes sound, or at the edge, where all do."""
    n = np.arange(len(_MEMBRANE_RATIO), dtype=np.float64)
    if low:
        weights = np.array([1.0, 0.2, 0.13, 0.28, 0.06, 0.05, 0.04, 0.06, 0.05, 0.03])
        decays = 0.5 / (1.0 + 0.5 * n)
    else:
        weights = np.array([0.16, 0.3, 0.35, 0.25, 0.3, 0.24, 0.2, 0.2, 0.18, 0.15])
        decays = 0.4 / (1.0 + 0.25 * n)
    dull = [math.exp(-r * skin_hz / (300.0 + 900.0 * strength)) for r in _MEMBRANE_RATIO]
    gains = strength * (weights * np.array(dull))[:, np.newaxis]
    freq = skin_hz * (1.0 + take.sway(0.004)) * _MEMBRANE_RATIO
    _strike(out, take, start, freq, gains, decays, attack_s=0.002, bend=0.05 * strength)


def shaker(take: Take) -> NDArray[np.float64]:
    """Seeds in a gourd: grainy noise that swells as the seeds fly and stops as they land."""
    seeds = take.silence(1)
    grain = take.noise(2.3)
    spiky = 3.0 * grain * grain * grain
    for stroke in take.strokes("shaker"):
        start, strength = _touch(stroke, take, 7.0)
        rise_s = 0.045 if stroke.accent else 0.03
        rise = int(rise_s * take.rate_hz)
        gain = strength * (1.0 if stroke.accent else 0.5)
        add_burst(seeds, max(start - rise, 0), spiky, rise, 0.09 * take.rate_hz, gain)
    out = take.silence(1)
    _ring(out, seeds, (3400.0, 6200.0, 9100.0), (1.6, 1.8, 1.5), (0.5, 1.0, 0.5), take)
    return in_room(out, take, 0.12)


def wood_block(take: Take) -> NDArray[np.float64]:
    """Two hollow blocks, `h` and `l`: a few short inharmonic modes and the click of the stick."""
    out = take.silence(1)
    click = take.noise(1.1)
    ticks = take.silence(1)
    for stroke in take.strokes("wood_block"):
        start, strength = _touch(stroke, take, 6.0)
        strength *= 1.0 if stroke.accent else 0.6
        freq = (930.0 if stroke.letter == "h" else 710.0) * (1.0 + take.sway(0.002))
        modes = freq * np.array([1.0, 1.47, 2.56, 3.9])
        gains = strength * np.array([[1.0], [0.5], [0.3], [0.12 * strength]])
        decays = np.array([0.16, 0.11, 0.06, 0.03])
        _strike(out, take, start, modes, gains, decays, attack_s=0.0007)
        add_burst(ticks, start, click, int(0.00025 * take.rate_hz), 0.012 * take.rate_hz, strength)
    _ring(out, ticks, (1600.0, 3300.0), (0.9, 0.9), (0.5, 0.4), take)
    return in_room(out, take, 0.2)


def _ring(
    out: NDArray[np.float64],
    x: NDArray[np.float64],
    freq_hz: Sequence[float],
    q: Sequence[float],
    gain: Sequence[float],
    take: Take,
) -> None:
    """Let `x` ring in a body: resonances in parallel, added to `out`."""
    add_resonances(out, x, np.array(freq_hz), np.array(q), np.array(gain), take.rate_hz)
