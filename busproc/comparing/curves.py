"""Curves of the bands of our own EQ, in closed form and smooth in their settings, for fits.

They are the analog filters that the EQ's analog design follows within 0.05 dB (`stages.eq`).

Source: analog prototypes of the Audio EQ Cookbook, W3C Working Group Note, 8 June 2021 (from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Literal

import numpy as np

from busproc.stages.base import Audio
from busproc.stages.eq_bands import Shaped

Shape = Literal["bell", "low_shelf", "high_shelf"]


def _bell(w2: Audio, gain_db: float, q: float) -> Audio:
    a, apart = 10 ** (gain_db / 40), (1 - w2) ** 2
    power: Audio = (apart + w2 * (a / q) ** 2) / (apart + w2 / (a * q) ** 2)
    return power


def _high_shelf(w2: Audio, gain_db: float, q: float) -> Audio:
    a = 10 ** (gain_db / 40)
    turned = a * w2 / q**2
    power: Audio = a * a * ((1 - a * w2) ** 2 + turned) / ((a - w2) ** 2 + turned)
    return power


def _low_shelf(w2: Audio, gain_db: float, q: float) -> Audio:
    return _high_shelf(1 / w2, gain_db, q)


SHAPES: dict[Shape, Callable[[Audio, float, float], Audio]] = {
    "bell": _bell,
    "low_shelf": _low_shelf,
    "high_shelf": _high_shelf,
}


def power_of(shape: Shape, freq_hz: float, gain_db: float, q: float, at_hz: Audio) -> Audio:
    """Squared gain of one band at each frequency."""
    return SHAPES[shape]((at_hz / freq_hz) ** 2, gain_db, q)


def curve_db(bands: Sequence[Shaped], at_hz: Audio) -> Audio:
    """Gain of bands in series at each frequency."""
    power = np.ones_like(at_hz)
    for band in bands:
        power = power * power_of(band.shape, band.freq_hz, band.gain_db, band.q, at_hz)
    curve: Audio = 10 * np.log10(power)
    return curve
