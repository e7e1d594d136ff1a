"""What is to be drawn, as data: panels measure, `layout` draws."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Audio = NDArray[np.float64]
Look = Literal["main", "second", "part", "reference"]

LEVEL_DB_PER_OCTAVE = 3.0
"""Where a curve is steeper than this it falls off somewhere, and its axis need not follow it down."""
LOWEST_DB = -36.0
"""What lies under this is out of the picture."""
LOWEST_HZ = 10.0
ALIKE_DB = 0.005
"""Curves closer than this are drawn as one."""


@dataclass(frozen=True)
class Axis:
    """What is on an axis, with its unit, and from where to where it goes."""

    label: str
    low: float
    high: float
    kind: Literal["number", "frequency", "count"] = "number"


@dataclass(frozen=True)
class Curve:
    """A line. `main` is thick, `second` thick and dashed, a `part` thin, a `reference` thin and grey."""

    x: Audio
    y: Audio
    label: str = ""
    look: Look = "main"


@dataclass(frozen=True)
class Shade:
    """What lies between two curves over the same x."""

    x: Audio
    low: Audio
    high: Audio
    label: str = ""


@dataclass(frozen=True)
class Bars:
    """Columns on whole numbers."""

    x: tuple[int, ...]
    y: tuple[float, ...]
    label: str


@dataclass(frozen=True)
class Plot:
    """One pair of axes and what stands in it; `at_x` is marked by a line, `span` by a grey band."""

    title: str
    x: Axis
    y: Axis
    curves: tuple[Curve, ...] = ()
    shades: tuple[Shade, ...] = ()
    bars: tuple[Bars, ...] = ()
    at_x: float | None = None
    span: tuple[float, float] | None = None
    point: tuple[float, float] | None = None

    @property
    def labels(self) -> list[str]:
        """What a legend tells of it."""
        drawn: tuple[Curve | Shade | Bars, ...] = (*self.curves, *self.shades, *self.bars)
        return [each.label for each in drawn if each.label]


@dataclass(frozen=True)
class Panel:
    """All that is drawn of a stage: remarks, and rows of plots."""

    remarks: tuple[str, ...] = ()
    rows: tuple[tuple[Plot, ...], ...] = ()
    tells_settings: bool = False
    """Whether the remarks say what is set, so that it need not be said again."""


def spectrum(
    title: str, curves: list[Curve], shades: tuple[Shade, ...] = (), down_to_db: float = -9.0
) -> Plot:
    """Gain over frequency, on axes that hold the curves wherever they do not just fall away."""
    freq_hz = curves[0].x
    level = np.concatenate([_where_level(curve) for curve in curves])
    low, high = min(level, default=0.0), max(level, default=0.0)
    return Plot(
        title,
        Axis("frequency (Hz)", LOWEST_HZ, freq_hz[-1], kind="frequency"),
        Axis("gain (dB)", min(down_to_db, low - 2), max(6.0, high + 2)),
        tuple(curves),
        shades,
    )


def _where_level(curve: Curve) -> Audio:
    """Values of a curve in its dips and on its tops, and where it is flat: on plateaus, not on slopes."""
    before, after = np.diff(curve.y)[:-1], np.diff(curve.y)[1:]
    steepest = np.maximum(np.abs(before), np.abs(after)) / np.diff(np.log2(curve.x))[1:]
    level = (steepest < LEVEL_DB_PER_OCTAVE) | ((before <= 0) & (after >= 0)) | ((before >= 0) & (after <= 0))
    values: Audio = curve.y[1:-1]
    return values[level & (values > LOWEST_DB)]
