"""Measuring a stage by running it: impulses while it rests or works, levels in steps."""

from __future__ import annotations

import numpy as np

from busproc.chain import process
from busproc.pictures.plot import LOWEST_HZ, Audio
from busproc.stages.base import Stage

Sides = tuple[float, float]
MID: Sides = (1.0, 1.0)
SIDE: Sides = (1.0, -1.0)
POINTS = 600
SILENT_DB = -200.0


def decibels(gain: Audio) -> Audio:
    """Decibels of a magnitude."""
    made: Audio = 20 * np.log10(np.maximum(np.abs(gain), 10 ** (SILENT_DB / 20)))
    return made


def treated(stage: Stage, rate_hz: int, bus: Audio, other: Audio) -> Audio:
    """What a stage makes of a lane `other (frames, 2)` while it hears `bus (frames, 2)`, also as its keys."""
    keys = {key.name: bus for _, key in stage.key_inputs()}
    lanes = np.stack([bus, other], axis=1)
    left: Audio = process(stage.model_copy(update={"when": None}), lanes, rate_hz, keys=keys)[:, 1]
    return left


def response(
    stage: Stage, rate_hz: int, into: Sides, *outs: Sides, bus: Audio | None = None
) -> tuple[Audio, ...]:
    """Gain in dB over frequency, from 10 Hz up, by an impulse while the bus is silent or as given.

    Parameters
    ----------
    stage, rate_hz
        What is measured, and at how many frames a second.
    into
        What of the impulse goes to left and right.
    outs
        What of left and right is measured, each by itself; what went in, by default.
    bus
        What is heard: `(response_frames(rate_hz), 2)`; the impulse comes in its middle.

    Returns
    -------
    tuple of ndarray
        Frequencies in Hz, about evenly spaced on a logarithmic axis, and gains in dB for each of `outs`.
    """
    impulse = np.zeros((response_frames(rate_hz), 2))
    impulse[len(impulse) // 2] = into
    heard = np.zeros_like(impulse) if bus is None else bus
    left = treated(stage, rate_hz, heard, impulse)
    measured = [left @ np.asarray(out) for out in outs or [np.array(into) / 2]]
    frames = len(impulse)
    bins = np.unique(np.geomspace(LOWEST_HZ * frames / rate_hz, frames // 2, POINTS).round().astype(int))
    return bins * rate_hz / frames, *(decibels(np.fft.rfft(each)[bins]) for each in measured)


def response_frames(rate_hz: int) -> int:
    """Length of a measured response: at least 5 s, a power of two."""
    return 1 << (5 * rate_hz).bit_length()


def tone(freq_hz: float, frames: int, rate_hz: int) -> Audio:
    """A full-scale sine `(frames,)`."""
    made: Audio = np.sin(2 * np.pi * freq_hz / rate_hz * np.arange(frames))
    return made


def gain_over(stage: Stage, rate_hz: int, levels: Audio, carrier: Audio | None = None) -> Audio:
    """Gain in dB in every frame, for a bus whose amplitude is `levels (frames,)`, or as much of a carrier."""
    wave = levels if carrier is None else levels * carrier
    bus = np.stack([wave, wave], axis=1)
    return decibels(treated(stage, rate_hz, bus, np.ones_like(bus))[:, 0])


def in_steps(rate_hz: int, *steps: tuple[float, float]) -> Audio:
    """Amplitude `(frames,)` of steps of a level in dB and a time in s each."""
    return np.concatenate([np.full(round(time_s * rate_hz), 10 ** (level / 20)) for level, time_s in steps])
