"""The figures of a record's page, each with its numbers in a table beside it."""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterator, Sequence
from typing import Any
from xml.etree.ElementTree import Element

from busproc.album.departures import balance_db
from busproc.pages.markup import clock, column_heads, make, row, shown, table, under_details
from busproc.pages.plots import Axis, Curve, Panel, Scale, plot, sample, short_hz, song_style, time_ticks
from busproc.stages.observe import NOMINAL_HZ

Song = dict[str, Any]
SHOWN_BALANCE_DB = 60.0
SHOWN_LOUDNESS_LU = 42.0
TICK_HZ = ("31.5", "63", "125", "250", "500", "1000", "2000", "4000", "8000", "16000")


def balance(songs: Sequence[Song]) -> Element:
    """Third octaves of all songs, each against its own level."""
    values = [[balance_db(hz, song) for hz in NOMINAL_HZ] for song in songs]
    known = [value for each in values for value in each if value is not None] or [0.0]
    upper = math.ceil(max(known) / 10) * 10
    lower = max(math.floor(min(known) / 10) * 10, upper - SHOWN_BALANCE_DB)
    return _over_each_other(
        "balance",
        "Level of each third octave against the song’s own RMS level, in dB",
        f"{len(songs)} songs over each other; the thick line is the median of the record.",
        songs,
        values,
        Panel("dB against the song’s level", Scale(upper + 1, lower - 1, 10), 280),
    )


def width(songs: Sequence[Song]) -> Element:
    """What folding to mono costs in each third octave."""
    values = [[song["mono_loss_db"].get(hz) for hz in NOMINAL_HZ] for song in songs]
    lowest = min((value for each in values for value in each if value is not None), default=0.0)
    lower = min(-3, math.floor(lowest))
    return _over_each_other(
        "width",
        "What folding to mono costs in each third octave, in dB",
        f"{len(songs)} songs over each other; the thick line is the median of the record. "
        "0 dB: both sides are alike; −3 dB: they have nothing in common; less: they are against each other.",
        songs,
        values,
        Panel("dB lost in mono", Scale(0.5, lower - 0.5, 1 if lower >= -6 else 6), 180),
    )


def over_time(song: Song, every_song: Sequence[Song]) -> Element:
    """Short-term loudness, and under it the reduction of each stage, on scales that all songs share."""
    number = song["number"]
    seconds = song["measured"]["frames"] / song["measured"]["rate_hz"]
    stages = [stage["stage"] for stage in song["dynamics"]]
    told = f"Short-term loudness from {clock(0)} to {clock(seconds)}"
    under = f", and under it the gain reduction of {', '.join(stages)}" if stages else ""
    drawn = plot(
        f"song-{number}-course",
        f"{song['song']} over time",
        f"{told}{under}. The numbers stand in a table below.",
        [_loudness(song, every_song, seconds), *_reductions(song, every_song, seconds)],
        Axis(time_ticks(seconds), "minutes and seconds"),
    )
    caption = "Dashed: loudness of the whole song."
    if stages:
        caption += " Reduction in each second: the median darker, the deepest lighter."
    return make("figure", drawn, make("figcaption", caption), _course_in_numbers(song, seconds))


def _over_each_other(
    name: str,
    title: str,
    description: str,
    songs: Sequence[Song],
    values: list[list[float | None]],
    panel: Panel,
) -> Element:
    middle = [_median([each[k] for each in values]) for k in range(len(NOMINAL_HZ))]
    places = _label_places(values, middle)
    curves = [
        _spectrum(
            each, song_style(song["number"]), f"{song['number']} {song['song']}", str(song["number"]), at
        )
        for song, each, at in zip(songs, values, places, strict=True)
    ]
    median = _spectrum(middle, "median", "median of the record")
    drawn = Panel(panel.heading, panel.scale, panel.height_px, [median, *curves])
    ticks = [(_band_place(NOMINAL_HZ.index(hz)), short_hz(hz)) for hz in TICK_HZ]
    heads = column_heads(["Hz", "median", *(song["song"] for song in songs)])
    rows = [
        row(hz, [shown(middle[k]), *(shown(each[k]) for each in values)]) for k, hz in enumerate(NOMINAL_HZ)
    ]
    numbers = table(title, [heads], rows, f"{name}-numbers")
    return make(
        "figure",
        plot(f"{name}-plot", title, description, [drawn], Axis(ticks, "Hz")),
        make(
            "figcaption",
            description,
            " A song’s number stands where it lies far from the median.",
            _legend(songs),
        ),
        under_details("The numbers", numbers),
    )


def _spectrum(
    values: list[float | None], style: str, title: str, label: str = "", label_at: int | None = None
) -> Curve:
    points = [(_band_place(k), value) for k, value in enumerate(values)]
    return Curve(points, style, title, label=label, label_at=label_at)


def _median(values: list[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return round(statistics.median(known), 2) if known else None


def _label_places(values: list[list[float | None]], middle: list[float | None]) -> list[int | None]:
    """For each song the band, of those still free, where it lies furthest from the median."""
    free = set(range(1, len(NOMINAL_HZ) - 1))
    places: list[int | None] = []
    for each in values:
        apart = {k: abs(each[k] - middle[k]) for k in free if each[k] is not None and middle[k] is not None}  # type: ignore[operator]
        at = max(sorted(apart), key=lambda k: apart[k], default=None)
        places.append(at)
        free.discard(-1 if at is None else at)
    return places


def _band_place(band: int) -> float:
    return band / (len(NOMINAL_HZ) - 1)


def _legend(songs: Sequence[Song]) -> Element:
    entries = [
        make("li", sample(song_style(song["number"])), f"{song['number']} {song['song']}") for song in songs
    ]
    return make("ul", make("li", sample("median"), "median"), entries, class_="legend")


def _loudness(song: Song, every_song: Sequence[Song], seconds: float) -> Panel:
    known = [v for each in every_song for v in each["short_term_lufs_each_s"]["values"] if v is not None] or [
        0.0
    ]
    upper = math.ceil(max(known) / 6) * 6
    lower = max(min(math.floor(min(known) / 6) * 6, upper - 6), upper - SHOWN_LOUDNESS_LU)
    course = song["short_term_lufs_each_s"]
    points = [((course["from_s"] + k) / seconds, value) for k, value in enumerate(course["values"])]
    whole = song["measured"]["integrated_lufs"]
    return Panel(
        "Short-term loudness, LUFS",
        Scale(upper, lower, 6),
        130,
        [
            Curve([(0.0, whole), (1.0, whole)], "whole", f"{shown(whole)} LUFS as a whole"),
            Curve(points, "loud", "short-term loudness"),
        ],
    )


def _reductions(song: Song, every_song: Sequence[Song], seconds: float) -> Iterator[Panel]:
    deepest = max(
        (
            v
            for each in every_song
            for stage in each["dynamics"]
            for v in stage["reduction_db_each_s"]["deepest"]
        ),
        default=0.0,
    )
    step = 3 if deepest <= 9 else 6
    scale = Scale(0.0, max(step, math.ceil(deepest / step) * step), step)
    for stage in song["dynamics"]:
        found = stage["reduction_db_each_s"]
        curves = [
            Curve(_in_seconds(found["deepest"], seconds), "deep", "deepest of each second", "area"),
            Curve(_in_seconds(found["median"], seconds), "middle", "median of each second", "area"),
        ]
        yield Panel(
            f"{stage['stage']}: gain reduction, dB",
            scale,
            72,
            curves,
        )


def _in_seconds(values: Sequence[float], seconds: float) -> list[tuple[float, float | None]]:
    """A level step for each second."""
    return [
        (min(k + side, seconds) / seconds, value)
        for k, value in enumerate(values)
        if k < seconds
        for side in (0, 1)
    ]


def _course_in_numbers(song: Song, seconds: float) -> Element:
    course, stages = song["short_term_lufs_each_s"], song["dynamics"]
    first = ["Time", "LUFS, 3 s before", *(f"{stage['stage']}, second before, dB" for stage in stages)]
    upper = make(
        "tr",
        [make("th", name, scope="col", rowspan=2) for name in first[:2]],
        [make("th", name, scope="colgroup", colspan=2) for name in first[2:]],
    )
    lower = column_heads(["median", "deepest"] * len(stages))
    found = [stage["reduction_db_each_s"][kind] for stage in stages for kind in ("median", "deepest")]
    columns = [(course["from_s"], course["values"]), *((1, values) for values in found)]
    rows = [
        row(clock(end), [_at(end, *column) for column in columns]) for end in range(1, math.ceil(seconds) + 1)
    ]
    name = f"song-{song['number']}-numbers"
    return under_details(
        "The numbers, second by second", table(f"{song['song']} over time", [upper, lower], rows, name)
    )


def _at(end: int, first: int, values: Sequence[float | None]) -> str:
    k = end - first
    return shown(values[k] if 0 <= k < len(values) else None)
