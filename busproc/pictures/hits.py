"""The hits of a recording over its waveform, row after row like lines of a text."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from busproc.files import AudioReader
from busproc.hits.telling import hits_in_words, is_unsure
from busproc.pictures import style
from busproc.pictures.layout import MARGIN_IN, WIDTH_IN

if TYPE_CHECKING:
    from pathlib import Path

    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from busproc.hits.settings import Hit, HitList

    Audio = NDArray[np.float64]

ROW_S = (1, 2, 5, 10, 20, 30, 60, 120, 300, 600)
MOST_ROWS = 12
"""A longer recording gets longer rows; from two hours on, more of them."""
COLUMNS_IN_ROW = 1500
TITLE_IN, STRENGTH_IN, WAVE_IN, BELOW_IN, LEFT_IN = 0.75, 0.8, 0.5, 0.5, 0.55
LEAST_RANGE_DB = 20.0
SURE: dict[str, Any] = {"color": "black", "markersize": 3.5, "linestyle": "none", "marker": "o", "zorder": 5}
UNSURE: dict[str, Any] = {
    **SURE,
    "color": style.COLOURS[1],
    "markerfacecolor": "white",
    "markersize": 4.5,
    "marker": "D",
}
"""Told apart by shape, filling and colour."""


@dataclass(frozen=True)
class _Wave:
    """The highest and lowest value in each column of time, of all channels."""

    high: Audio
    low: Audio
    column_s: float


def draw_hits(recording: Path, found: HitList) -> Figure:
    """Draw strengths as heights in dBFS over the waveform; what is unsure is hollow and of another colour."""
    with AudioReader(recording) as reader, style.styled():
        length_s = max(reader.info.frames, 1) / reader.info.rate_hz
        row_s = next((s for s in ROW_S if s * MOST_ROWS >= length_s), ROW_S[-1])
        rows = math.ceil(length_s / row_s)
        wave = _wave(reader, row_s / COLUMNS_IN_ROW)
        row_in = STRENGTH_IN + WAVE_IN + BELOW_IN
        height_in = MARGIN_IN + TITLE_IN + rows * row_in
        figure = Figure(figsize=(WIDTH_IN, height_in))
        left, width = (MARGIN_IN + LEFT_IN) / WIDTH_IN, (WIDTH_IN - 2 * MARGIN_IN - LEFT_IN) / WIDTH_IN
        for n in range(rows):
            top_in = height_in - MARGIN_IN - TITLE_IN - n * row_in
            over = figure.add_axes((left, (top_in - STRENGTH_IN) / height_in, width, STRENGTH_IN / height_in))
            under_in = top_in - STRENGTH_IN - WAVE_IN
            under = figure.add_axes((left, under_in / height_in, width, WAVE_IN / height_in))
            _draw_row(over, under, found.hits, wave, (n * row_s, (n + 1) * row_s))
        title_y, words_y = (1 - (MARGIN_IN + down) / height_in for down in (0.0, 0.27))
        figure.text(MARGIN_IN / WIDTH_IN, title_y, recording.name, size=14, weight="bold", va="top")
        figure.text(MARGIN_IN / WIDTH_IN, words_y, hits_in_words(found), size=9, va="top")
        handles, names = figure.axes[0].get_legend_handles_labels()
        figure.legend(
            handles, names, loc="upper right", bbox_to_anchor=(left + width, title_y), ncols=2, borderpad=0
        )
        return figure


def _draw_row(
    over: Axes, under: Axes, hits: tuple[Hit, ...], wave: _Wave, span_s: tuple[float, float]
) -> None:
    bottom_dbfs, top_dbfs = _range_dbfs(hits)
    for look, label, unsure in ((SURE, "hit", False), (UNSURE, "unsure hit", True)):
        shown = [hit for hit in hits if span_s[0] <= hit.at_s < span_s[1] and is_unsure(hit) == unsure]
        at_s, level_dbfs = [hit.at_s for hit in shown], [hit.level_dbfs for hit in shown]
        line: dict[str, Any] = {
            "color": look["color"],
            "linewidth": 0.8,
            "linestyle": "--" if unsure else "-",
        }
        over.vlines(at_s, bottom_dbfs, level_dbfs, **line)
        over.plot(at_s, level_dbfs, label=label, **look)
        under.vlines(at_s, -1, 1, **line)
    first, last = (round(second / wave.column_s) for second in span_s)
    time_s = (np.arange(first, last) + 0.5) * wave.column_s
    columns = slice(first, last)
    time_s = time_s[: len(wave.high[columns])]
    under.fill_between(time_s, wave.low[columns], wave.high[columns], color="0.55", linewidth=0.4, zorder=3)
    over.set(xlim=span_s, ylim=(bottom_dbfs, top_dbfs), ylabel="dBFS", xticklabels=[])
    over.tick_params(bottom=False)
    over.spines["bottom"].set_visible(False)
    under.set(xlim=span_s, ylim=(-1, 1), yticks=[], xlabel="s")
    over.yaxis.set_major_locator(MaxNLocator(4, steps=(1, 2, 5, 10)))
    for axes in (over, under):
        axes.xaxis.set_major_locator(MaxNLocator(10, steps=(1, 2, 5, 10)))


def _range_dbfs(hits: tuple[Hit, ...]) -> tuple[float, float]:
    """Room for every strength."""
    levels_dbfs = [hit.level_dbfs for hit in hits] or [0.0]
    top_dbfs = 5 * math.ceil(max(levels_dbfs) / 5 + 0.4)
    return min(5 * math.floor(min(levels_dbfs) / 5 - 0.4), top_dbfs - LEAST_RANGE_DB), top_dbfs


def _wave(reader: AudioReader, column_s: float) -> _Wave:
    """Read all of it, scaled so that its peak is 1."""
    columns = math.ceil(reader.info.frames / reader.info.rate_hz / column_s) + 1
    high, low = np.zeros(columns), np.zeros(columns)
    frame = 0
    while len(block := reader.read(1 << 16)):
        column = ((frame + np.arange(len(block))) / (reader.info.rate_hz * column_s)).astype(np.int64)
        np.maximum.at(high, column, block.max(axis=1))
        np.minimum.at(low, column, block.min(axis=1))
        frame += len(block)
    peak = max(float(high.max()), -float(low.min())) or 1.0
    return _Wave(high / peak, low / peak, column_s)
