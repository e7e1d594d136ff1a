"""Gain: a few words, no curve."""

from __future__ import annotations

import numpy as np

from busproc.pictures import probe
from busproc.pictures.plot import Audio, Panel
from busproc.stages.gain import Gain


def panel(stage: Gain, rate_hz: int) -> Panel:
    """Tell the gain of each side, as measured."""
    ones = np.ones((1, 2))
    left, right = probe.treated(stage, rate_hz, ones, ones)[0]
    return Panel((f"left {_told(left)}, right {_told(right)}",))


def _told(gain: Audio) -> str:
    if not gain:
        return "silent"
    return f"{probe.decibels(gain):+.2f} dB{', polarity inverted' if gain < 0 else ''}"
