"""The figures of a comparison's page, each with its numbers in a table beside it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from typing import Any
from xml.etree.ElementTree import Element

from busproc.album.figures import TICK_HZ
from busproc.pages.markup import clock, column_heads, make, row, shown, table, under_details
from busproc.pages.plots import (
    Axis,
    Curve,
    Panel,
    Point,
    Scale,
    plot,
    sample,
    short_hz,
    song_style,
    time_ticks,
)
from busproc.stages.observe import NOMINAL_HZ

Document = dict[str, Any]

SHOWN_DB = 60.0


def balance(document: Document) -> Element:
    """Third octaves at equal loudness, under them the difference, and what the moves would do."""
    rows, several = document["balance"], len(document["references"]) > 1
    described = "Third octaves of the mix and of the references’ median, all equally loud; bars: their range."
    panels = [_levels(rows), _differences(rows), *_moved(document["moves"]["curve_db"])]
    ticks = [(_place(NOMINAL_HZ.index(hz)), short_hz(hz)) for hz in TICK_HZ]
    keys = ["mix", "median", *(["lowest", "highest"] if several else []), "difference"]
    numbers = table(
        "Third octaves, dB at equal loudness",
        [column_heads(["Hz", *keys])],
        [row(each["hz"], [shown(each[key], signed=key == "difference") for key in keys]) for each in rows],
        "balance-numbers",
    )
    legend = [("ours", "the mix"), ("theirs", "median of the references")]
    legend += [("range", "range of the references")] if several else []
    return make(
        "figure",
        plot("balance", "Balance at equal loudness", described, panels, Axis(ticks, "Hz")),
        make("figcaption", described, _legend(legend)),
        under_details("The numbers", numbers),
    )


def brightness(document: Document) -> Element:
    """Where the middle of the spectrum lies over time, the mix and every reference."""
    sounds = [document["mix"], *document["references"]]
    seconds = max(each["to_s"] - each["from_s"] for each in sounds)
    octaves = [[hz and math.log2(hz / 1000) for hz in each["brightness_hz_each_s"]] for each in sounds]
    known = [value for each in octaves for value in each if value is not None] or [0.0]
    scale = Scale(math.ceil(max(known)), math.floor(min(known)) - 0.001, 1)
    styles = ["ours", *(song_style(n) for n in range(1, len(sounds)))]
    curves = [
        Curve([((k + 0.5) / seconds, value) for k, value in enumerate(values)], style, each["name"])
        for each, values, style in zip(sounds, octaves, styles, strict=True)
    ]
    described = "The middle of the A-weighted spectrum in each second, in octaves from 1000 Hz."
    panel = Panel("Octaves from 1000 Hz", scale, 200, [*curves[1:], curves[0]])
    longest = max(len(values) for values in octaves)
    rows = [
        row(clock(k), [shown(_at(each["brightness_hz_each_s"], k), 0) for each in sounds])
        for k in range(longest)
    ]
    heads = [column_heads(["Time", *(each["name"] for each in sounds)])]
    numbers = table("Middle of the spectrum, Hz", heads, rows, "brightness-numbers")
    legend = [(style, each["name"]) for style, each in zip(styles, sounds, strict=True)]
    return make(
        "figure",
        plot(
            "brightness",
            "Brightness over time",
            described,
            [panel],
            Axis(time_ticks(seconds), "minutes and seconds"),
        ),
        make("figcaption", described, _legend(legend)),
        under_details("The numbers, second by second", numbers),
    )


def _levels(rows: Sequence[Document]) -> Panel:
    known = [each[key] for each in rows for key in ("mix", "lowest", "highest") if each[key] is not None] or [
        0.0
    ]
    upper = math.ceil(max(known) / 10) * 10
    lower = max(math.floor(min(known) / 10) * 10, upper - SHOWN_DB)
    curves = [
        Curve(_bars(rows, "lowest", "highest"), "range", "range of the references"),
        Curve(_points(rows, "median"), "theirs", "median of the references"),
        Curve(_points(rows, "mix"), "ours", "the mix"),
    ]
    return Panel("dB against the loudness", Scale(upper + 1, lower - 1, 10), 240, curves)


def _differences(rows: Sequence[Document]) -> Panel:
    around = [
        {
            "mix": each["difference"],
            "lowest": _less(each["lowest"], each["median"]),
            "highest": _less(each["highest"], each["median"]),
        }
        for each in rows
    ]
    curves = [
        Curve(_bars(around, "lowest", "highest"), "range", "range of the references"),
        Curve([(0.0, 0.0), (1.0, 0.0)], "whole", "median of the references"),
        Curve(_points(around, "mix"), "ours", "the mix less the median"),
    ]
    return Panel(
        "The mix less the references’ median, dB",
        _scale_around(each[key] for each in around for key in each),
        180,
        curves,
    )


def _moved(curve_db: dict[str, float]) -> Iterator[Panel]:
    if curve_db:
        points = [(_place(n), curve_db[hz]) for n, hz in enumerate(NOMINAL_HZ)]
        curves = [
            Curve([(0.0, 0.0), (1.0, 0.0)], "whole", "nothing"),
            Curve(points, "loud", "what the moves do"),
        ]
        yield Panel(
            "What the bells and shelves of the moves do, dB", _scale_around(curve_db.values()), 130, curves
        )


def _scale_around(values: Iterable[float | None]) -> Scale:
    most = max((abs(value) for value in values if value is not None), default=0.0)
    step = 1 if most <= 3 else 3 if most <= 9 else 6
    edge = max(step, math.ceil(most / step) * step) + step / 10
    return Scale(edge, -edge, step)


def _points(rows: Sequence[Document], key: str) -> list[Point]:
    return [(_place(n), each[key]) for n, each in enumerate(rows)]


def _bars(rows: Sequence[Document], low: str, high: str) -> list[Point]:
    """A stroke for each third octave, with a gap behind it."""
    return [(_place(n), value) for n, each in enumerate(rows) for value in (each[low], each[high], None)]


def _less(one: float | None, other: float | None) -> float | None:
    return None if one is None or other is None else one - other


def _place(band: int) -> float:
    return band / (len(NOMINAL_HZ) - 1)


def _legend(entries: Sequence[tuple[str, str]]) -> Element:
    return make("ul", [make("li", sample(style), name) for style, name in entries], class_="legend")


def _at(values: Sequence[float | None], k: int) -> float | None:
    return values[k] if k < len(values) else None
