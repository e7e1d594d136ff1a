"""Doubler: how late each copy is, and how far off its pitch."""

from __future__ import annotations

import numpy as np

from busproc.pictures.plot import Audio, Axis, Curve, Look, Panel, Plot
from busproc.stages.context import Context
from busproc.stages.doubler import Doubler

SHOWN_S = 8
NAMES = ("copy on the left", "copy on the right", "second on the left", "second on the right")
LOOKS: tuple[Look, ...] = ("main", "second", "part", "reference")
ROOM_MS, ROOM_CENTS = 1.0, 2.0


def panel(stage: Doubler, rate_hz: int) -> Panel:
    """Follow the path that the copies take at the beginning of a song."""
    delays = stage.plan(Context(rate_hz)).treatment.delays(0, SHOWN_S * rate_hz)
    ms = delays * 1000 / rate_hz
    cents = 1200 * np.log2(1 - np.gradient(delays, axis=1))
    return Panel(
        rows=(
            (
                _plot("How late", "delay (ms)", ms, ROOM_MS, rate_hz),
                _plot("How far off", "pitch (cents)", cents, ROOM_CENTS, rate_hz),
            ),
        )
    )


def _plot(title: str, label: str, values: Audio, room: float, rate_hz: int) -> Plot:
    """A curve for each copy, of 200 points a second."""
    thin = slice(None, None, max(1, rate_hz // 200))
    time_s = np.arange(values.shape[1])[thin] / rate_hz
    curves = (
        Curve(time_s, each[thin], name, look) for each, name, look in zip(values, NAMES, LOOKS, strict=False)
    )
    return Plot(
        title,
        Axis("time (s)", 0.0, float(SHOWN_S)),
        Axis(label, values.min() - room, values.max() + room),
        tuple(curves),
    )
