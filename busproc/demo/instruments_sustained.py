"""Blown, bowed and sung: tuba, flugelhorns, strings and a wordless choir.

Each player is a row of harmonics whose brightness follows the loudness, with vibrato and a wandering pitch;
what is common to a section (bell, body, mouth) is a set of resonances. The formants are near those in tables
of sung vowels, from memory; all other numbers are chosen by meter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from busproc.demo.instruments import Take, in_room, key_hz, pan_gains
from busproc.kernels.synth import add_resonances, add_voice, soften

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from busproc.demo.score import Note

_CENT = math.log(2.0) / 1200.0
_BREATH_EIGHTHS = 0.7


@dataclass(frozen=True)
class Manner:
    """How a player of a section plays: times in seconds, pitches in cents, brightness in hertz."""

    attack_s: float
    release_s: float
    glide_s: float
    soft_edge_hz: float
    loud_edge_hz: float
    accent: float = 0.0
    swell: float = 0.0
    scoop_cents: float = 0.0
    detune_cents: float = 3.0
    late_s: float = 0.01
    vibrato_cents: float = 8.0
    vibrato_hz: float = 5.0
    breath: float = 0.0


@dataclass(frozen=True)
class Resonance:
    """Resonances in parallel with a straight path."""

    freq_hz: Sequence[float]
    q: Sequence[float]
    gain: Sequence[float]
    straight: float = 1.0

    def shape(self, x: NDArray[np.float64], take: Take) -> NDArray[np.float64]:
        """Send `x (frames, channels)` through the resonances."""
        out = self.straight * x
        add_resonances(out, x, np.array(self.freq_hz), np.array(self.q), np.array(self.gain), take.rate_hz)
        return out


_TUBA = Manner(0.05, 0.09, 0.03, 150.0, 620.0, accent=0.35, scoop_cents=-25.0, vibrato_cents=2.0, breath=0.04)
_FLUGELHORN = Manner(
    0.055, 0.1, 0.035, 380.0, 1900.0,
    accent=0.25, swell=0.12, scoop_cents=-30.0, detune_cents=4.0, late_s=0.012, vibrato_cents=11.0,
    breath=0.05,
)  # fmt: skip
_BOWED = Manner(
    0.14, 0.22, 0.05, 1800.0, 5200.0,
    swell=0.2, detune_cents=6.0, late_s=0.02, vibrato_cents=15.0, vibrato_hz=5.6, breath=0.12,
)  # fmt: skip
_SUNG = Manner(
    0.24, 0.32, 0.09, 900.0, 2600.0,
    swell=0.3, scoop_cents=-18.0, detune_cents=8.0, late_s=0.03, vibrato_cents=20.0, vibrato_hz=5.2,
    breath=0.15,
)  # fmt: skip

_TUBA_BELL = Resonance((130.0, 330.0, 700.0), (1.2, 1.4, 1.5), (0.6, 0.4, 0.2), 0.7)
_FLUGELHORN_BELL = Resonance((520.0, 1150.0, 2300.0), (1.0, 1.3, 2.0), (0.5, 0.5, 0.15), 0.5)
_STRING_BODY = Resonance(
    (285.0, 470.0, 860.0, 1500.0, 2700.0), (3.0, 3.0, 2.0, 2.5, 1.3), (0.6, 0.8, 0.4, 0.4, 0.7), 0.5
)
_OO_WOMEN = Resonance((430.0, 780.0, 2700.0, 3600.0), (2.2, 5.0, 12.0, 12.0), (1.0, 0.3, 0.06, 0.03), 0.02)
_AH_WOMEN = Resonance((840.0, 1200.0, 2850.0, 3800.0), (4.0, 6.0, 11.0, 12.0), (1.0, 0.7, 0.3, 0.16), 0.03)
_OO_MEN = Resonance((340.0, 640.0, 2500.0, 3100.0), (2.4, 5.0, 12.0, 12.0), (1.0, 0.3, 0.06, 0.03), 0.02)
_AH_MEN = Resonance((640.0, 1080.0, 2500.0, 2950.0), (4.0, 6.0, 11.0, 12.0), (1.0, 0.7, 0.35, 0.2), 0.03)
_MUD = Resonance((320.0,), (0.9,), (0.6,))


def tuba(take: Take) -> NDArray[np.float64]:
    """Play the bass line: one player."""
    out = take.silence(1)
    _play(out, np.ones(1), take.notes("tuba"), take, _TUBA)
    return in_room(_TUBA_BELL.shape(out, take), take, 0.12)


def flugelhorns(take: Take) -> NDArray[np.float64]:
    """Section of three: the first has the tune, the others join from the second strain on."""
    out = take.silence(2)
    places = (0.0, -0.4, 0.4)
    parts = [take.notes(f"flugelhorn_{n}") for n in (1, 2, 3)]
    for pan, notes, loudness in zip(places, parts, (1.0, 0.62, 0.62), strict=True):
        _play(out, loudness * pan_gains(pan), notes, take, _FLUGELHORN)
    return in_room(_FLUGELHORN_BELL.shape(out, take), take, 0.18)


def strings(take: Take) -> NDArray[np.float64]:
    """Violins on the left, violas in the middle, cellos on the right; 6 dB less an octave, as bows give."""
    out = take.silence(2)
    for line, players, pan, loudness in (
        ("violins", 5, -0.5, 1.25),
        ("violas", 3, 0.15, 0.75),
        ("cellos", 3, 0.55, 0.65),
    ):
        _play_section(out, line, players, pan, loudness, take, _BOWED)
    soften(out, 420.0, take.rate_hz)
    return in_room(_STRING_BODY.shape(out, take), take, 0.2)


def choir(take: Take) -> NDArray[np.float64]:
    """Sixteen voices that open from "oo" to "ah".

    Built-in fault: too much between 250 and 400 Hz.
    """
    women, men = take.silence(2), take.silence(2)
    _play_section(women, "sopranos", 4, -0.45, 0.8, take, _SUNG)
    _play_section(women, "altos", 4, 0.35, 0.9, take, _SUNG)
    _play_section(men, "tenors", 4, -0.2, 1.0, take, _SUNG)
    _play_section(men, "basses", 4, 0.45, 1.0, take, _SUNG)
    time = np.arange(take.frames) / take.rate_hz
    opened = np.interp(time, *take.score.by_time(take.score.vowel))[:, np.newaxis]
    sung = take.silence(2)
    for voices, oo, ah in ((women, _OO_WOMEN, _AH_WOMEN), (men, _OO_MEN, _AH_MEN)):
        closed = oo.shape(voices, take)
        sung += closed + opened * (ah.shape(voices, take) - closed)
    return in_room(_MUD.shape(sung, take), take, 0.24)


def _play_section(
    out: NDArray[np.float64],
    line: str,
    players: int,
    pan: float,
    loudness: float,
    take: Take,
    manner: Manner,
) -> None:
    """Several players on one line, side by side around a place; without notes they rest."""
    notes = take.notes(line)
    for player in range(players):
        place = pan + 0.35 * (2.0 * (player + 0.5) / players - 1.0)
        gains = loudness / math.sqrt(players) * pan_gains(min(max(place, -0.9), 0.9))
        _play(out, gains, notes, take, manner)


def _play(
    out: NDArray[np.float64], gains: NDArray[np.float64], notes: Sequence[Note], take: Take, manner: Manner
) -> None:
    """One player plays one line into `out (frames, channels)`; without notes it is left alone."""
    if not notes:
        return
    level, bend, freq = _draw_line(notes, take, manner)
    strength = take.intensity()
    loud = level * strength * (0.3 + 0.7 * strength)
    flutter = 1.0 + take.drift(0.04, 0.17)
    cents = (
        bend
        + take.sway(manner.detune_cents)
        + take.drift(2.5, 0.4)
        + _vibrato(take, manner) * np.minimum(level, 1.0)
    )
    edge = manner.soft_edge_hz + (manner.loud_edge_hz - manner.soft_edge_hz) * loud * loud
    breath = manner.breath * take.noise(3.1)
    soften(breath.reshape(-1, 1), 2500.0, take.rate_hz)
    curves = freq * (1.0 + _CENT * cents), loud * flutter, edge
    add_voice(out, gains, *curves, breath, take.tick_frames, take.rate_hz)


def _vibrato(take: Take, manner: Manner) -> NDArray[np.float64]:
    """Vibrato in cents along the control curve, its speed and depth never quite the same."""
    speed = manner.vibrato_hz * (1.0 + take.sway(0.05)) * (1.0 + take.drift(0.05, 0.6))
    turns = np.cumsum(speed * (take.tick_frames / take.rate_hz)) + float(take.rng.uniform())
    depth = manner.vibrato_cents * (1.0 + take.drift(0.2, 0.5))
    return depth * [math.sin(2.0 * math.pi * turn) for turn in turns.tolist()]


def _draw_line(
    notes: Sequence[Note], take: Take, manner: Manner
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Level, pitch bend in cents and frequency of a line, as control curves."""
    time = take.tick_times()
    level, bend = np.zeros_like(time), np.zeros_like(time)
    places: list[float] = []
    pitches: list[float] = []
    for note in notes:
        start = max(take.score.seconds(note.at) + take.sway(manner.late_s), 0.0)
        end = take.score.seconds(note.at + note.length - (_BREATH_EIGHTHS if note.breath else 0.0))
        strength = (0.92 if note.at % 3.0 else 1.0) * (1.0 + take.sway(0.04))
        level = np.maximum(level, strength * _envelope(time - start, end - start, manner))
        bend += manner.scoop_cents * _fall(time - start, 0.09)
        places += [start, start + manner.glide_s]
        pitches += [pitches[-1] if pitches else key_hz(note.key), key_hz(note.key)]
    return level, bend, np.interp(time, places, pitches)


def _envelope(since_s: NDArray[np.float64], length_s: float, manner: Manner) -> NDArray[np.float64]:
    """Loudness of one note over the time since its start: rise, accent, swell, a slight decline, release."""
    along = np.clip(since_s / length_s, 0.0, 1.0)
    body = (
        1.0
        + manner.accent * _fall(since_s, 0.15)
        + manner.swell * (4.0 * along * (1.0 - along))
        - 0.12 * along
    )
    return body * _step(since_s / manner.attack_s) * (1.0 - _step((since_s - length_s) / manner.release_s))


def _step(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Smooth step from 0 at 0 to 1 at 1."""
    x = np.clip(x, 0.0, 1.0)
    return x * x * (3.0 - 2.0 * x)


def _fall(since_s: NDArray[np.float64], length_s: float) -> NDArray[np.float64]:
    """One at the start of a note, smoothly zero after `length_s`, zero before the start."""
    return np.where(since_s >= 0.0, 1.0 - _step(since_s / length_s), 0.0)
