"""Line plots as inline SVG: they stretch with the page, their text and strokes do not."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Literal
from xml.etree.ElementTree import Element

from busproc.pages.markup import clock, make, shown

LEFT, RIGHT = 8.0, 99.0
"""Where a plot begins and ends across, in percent; the scale stands left of it."""
WIDE = 1000
HEAD_PX, FOOT_PX = 32, 22
LABEL_FREE_PX = 4
KINDS = 4
"""So many colours, and as many dashes: 16 songs differ, and in print without colour every four."""

STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1200, 3600, 7200)
MOST_TICKS = 7

Point = tuple[float, float | None]


@dataclass(frozen=True)
class Scale:
    """What lies between the upper and the lower edge of a panel, with a line every `step`."""

    upper: float
    lower: float
    step: float

    def y_px(self, value: float, height_px: int) -> float:
        """Distance from the panel's upper edge."""
        return (self.upper - value) / (self.upper - self.lower) * height_px

    def ticks(self) -> list[float]:
        """Multiples of the step within the edges."""
        low, high = sorted((self.lower, self.upper))
        return [k * self.step for k in range(math.ceil(low / self.step), math.floor(high / self.step) + 1)]


@dataclass(frozen=True)
class Curve:
    """Points `(fraction of the width, value)`; None leaves a gap. An area reaches down from nothing."""

    points: Sequence[Point]
    style: str
    title: str
    shape: Literal["line", "area"] = "line"
    label: str = ""
    label_at: int | None = None


@dataclass(frozen=True)
class Panel:
    """Curves over one scale, under a heading."""

    heading: str
    scale: Scale
    height_px: int
    curves: Sequence[Curve] = field(default_factory=tuple)


@dataclass(frozen=True)
class Axis:
    """Ticks `(fraction of the width, text)` that all panels of a plot share, and what they count."""

    ticks: Sequence[tuple[float, str]]
    unit: str


def plot(name: str, title: str, description: str, panels: Sequence[Panel], axis: Axis) -> Element:
    """Panels one under the other over one axis; `name` makes ids of its own."""
    height_px = sum(HEAD_PX + panel.height_px for panel in panels) + 2 * FOOT_PX
    return make(
        "svg",
        make("title", title, id=f"{name}-title"),
        make("desc", description, id=f"{name}-desc"),
        _stacked(panels, axis),
        _foot(axis, height_px),
        role="img",
        aria_labelledby=f"{name}-title",
        aria_describedby=f"{name}-desc",
        width="100%",
        height=height_px,
    )


def song_style(number: int) -> str:
    """Classes that tell songs apart by dash and by colour."""
    dash = (number - 1) % KINDS
    return f"song dash{dash} hue{(dash + (number - 1) // KINDS) % KINDS}"


def sample(style: str) -> Element:
    """A short piece of a line, for a legend."""
    return make(
        "svg",
        make("line", x1=0, y1=6, x2=48, y2=6, class_=style),
        class_="sample",
        width=48,
        height=12,
        aria_hidden="true",
    )


def _stacked(panels: Sequence[Panel], axis: Axis) -> Iterator[Element]:
    top_px = 0
    for panel in panels:
        top_px += HEAD_PX
        yield make("text", panel.heading, x="0", y=top_px - 10, class_="heading")
        yield from _scale_texts(panel, top_px)
        yield _area(panel, axis, top_px)
        yield from _labels(panel, top_px)
        top_px += panel.height_px


def _scale_texts(panel: Panel, top_px: int) -> Iterator[Element]:
    for value in panel.scale.ticks():
        y_px = top_px + panel.scale.y_px(value, panel.height_px) + 4
        yield make("text", shown(value, 0), x=f"{LEFT - 1:g}%", y=f"{y_px:.1f}", text_anchor="end")


def _area(panel: Panel, axis: Axis, top_px: int) -> Element:
    """Grid and curves, cut off at the panel's edges."""
    return make(
        "svg",
        _grid(panel, axis),
        [_drawn(curve, panel) for curve in panel.curves],
        x=f"{LEFT:g}%",
        y=top_px,
        width=f"{RIGHT - LEFT:g}%",
        height=panel.height_px,
        viewBox=f"0 0 {WIDE} {panel.height_px}",
        preserveAspectRatio="none",
    )


def _grid(panel: Panel, axis: Axis) -> Iterator[Element]:
    for value in panel.scale.ticks():
        y_px = f"{panel.scale.y_px(value, panel.height_px):.1f}"
        yield make("line", x1=0, y1=y_px, x2=WIDE, y2=y_px, class_="grid")
    for place, _ in axis.ticks:
        x = f"{WIDE * place:.1f}"
        yield make("line", x1=x, y1=0, x2=x, y2=panel.height_px, class_="grid")


def _drawn(curve: Curve, panel: Panel) -> Element:
    return make("path", make("title", curve.title), d=_path(curve, panel), class_=curve.style)


def _path(curve: Curve, panel: Panel) -> str:
    """Lines between neighbours that both have a value; a point alone becomes a dot."""
    runs: list[list[str]] = [[]]
    for place, value in curve.points:
        if value is None:
            runs.append([])
        else:
            runs[-1].append(f"{WIDE * place:.1f} {panel.scale.y_px(value, panel.height_px):.1f}")
    kept = [run for run in runs if run]
    if curve.shape == "line":
        return "".join(f"M{'L'.join(run)}" if run[1:] else f"M{run[0]}h.1" for run in kept)
    floor = f"{panel.scale.y_px(0.0, panel.height_px):.1f}"
    return "".join(
        f"M{run[0].split()[0]} {floor}L{'L'.join(run)}L{run[-1].split()[0]} {floor}Z" for run in kept
    )


def _labels(panel: Panel, top_px: int) -> Iterator[Element]:
    for curve in panel.curves:
        if curve.label_at is not None:
            place, value = curve.points[curve.label_at]
            assert value is not None
            y_px = min(max(panel.scale.y_px(value, panel.height_px), LABEL_FREE_PX), panel.height_px)
            x = LEFT + (RIGHT - LEFT) * place
            yield make(
                "text",
                curve.label,
                x=f"{x:.2f}%",
                y=f"{top_px + y_px + 4:.1f}",
                text_anchor="middle",
                class_="label",
            )


def _foot(axis: Axis, height_px: int) -> Iterator[Element]:
    for place, text in axis.ticks:
        x = LEFT + (RIGHT - LEFT) * place
        yield make(
            "text",
            text,
            x=f"{x:.2f}%",
            y=height_px - FOOT_PX - 6,
            text_anchor="end" if place > 0.97 else "middle",
        )
    yield make("text", axis.unit, x=f"{RIGHT:g}%", y=height_px - 6, text_anchor="end", class_="heading")


def short_hz(hz: str) -> str:
    """A nominal frequency as it stands at an axis.

    >>> short_hz("2000"), short_hz("31.5")
    ('2k', '31.5')
    """
    return f"{hz[:-3]}k" if hz.endswith("000") else hz


def time_ticks(seconds: float) -> list[tuple[float, str]]:
    """Marks of a time axis: where, as a share of its length, and the time."""
    step = next((step for step in STEPS_S if seconds / step <= MOST_TICKS), STEPS_S[-1])
    return [(at / seconds, clock(at)) for at in range(0, int(seconds) + 1, step)]
