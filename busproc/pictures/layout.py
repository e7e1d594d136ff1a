"""A sheet for a chain: a panel for each stage, one under the other.

Places are worked out in inches from the texts themselves, so nothing overlaps and nothing is cut.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from matplotlib.artist import Artist
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.lines import Line2D
from matplotlib.textpath import text_to_path

from busproc.chain import Chain
from busproc.pictures import style
from busproc.pictures.drawing import draw_plot
from busproc.pictures.panels import panel_of
from busproc.pictures.plot import Plot
from busproc.pictures.saving import picture_file
from busproc.pictures.wording import headline, rate_in_words, stage_in_words
from busproc.studies import in_order

WIDTH_IN, MARGIN_IN = 10.0, 0.35
ABOVE_IN, PLOT_IN, BELOW_IN, LEFT_IN, RIGHT_IN = 0.3, 1.9, 0.5, 0.62, 0.2
LEGEND_IN, HANDLE_IN, ENTRY_IN = 3.0, 0.5, 0.158
LINE_IN = 1.35 / 72
"""Height of a line of text for each point of its size."""
GAP_IN = 0.3
"""Room with a rule in it before a stage."""


@dataclass(frozen=True)
class Text:
    """Lines of one size; a rule above begins a stage."""

    lines: list[str]
    size: float
    weight: str = "normal"
    ruled: bool = False

    @property
    def height_in(self) -> float:
        """Lines, and the room for the rule."""
        return len(self.lines) * self.size * LINE_IN + GAP_IN * self.ruled

    def draw(self, figure: Figure, top_in: float) -> None:
        """Write line by line."""
        height_in = figure.get_figheight()
        if self.ruled:
            y = (top_in - GAP_IN / 2) / height_in
            ends = MARGIN_IN / WIDTH_IN, 1 - MARGIN_IN / WIDTH_IN
            figure.add_artist(Line2D(ends, (y, y), color="0.6", linewidth=0.8))
            top_in -= GAP_IN
        for n, line in enumerate(self.lines):
            y = (top_in - n * self.size * LINE_IN) / height_in
            figure.text(MARGIN_IN / WIDTH_IN, y, line, size=self.size, weight=self.weight, va="top")


@dataclass(frozen=True)
class Row:
    """Plots side by side, and a legend to their right if anything in them has a label."""

    plots: tuple[Plot, ...]

    def labels(self) -> dict[str, str]:
        """Every label once, in order, and how it is broken into lines."""
        labels = dict.fromkeys(label for plot in self.plots for label in plot.labels)
        return {label: "\n".join(wrapped(label, LEGEND_IN, style.LEGEND_PT)) for label in labels}

    @property
    def plot_in(self) -> float:
        """Height of the axes: no less than that of the legend."""
        lines = sum(label.count("\n") + 1 for label in self.labels().values())
        return max(PLOT_IN, ENTRY_IN * lines)

    @property
    def height_in(self) -> float:
        """Axes, and what is written around them."""
        return ABOVE_IN + self.plot_in + BELOW_IN

    def draw(self, figure: Figure, top_in: float) -> None:
        """Draw the axes, then the legend from what they hold."""
        labels, height_in = self.labels(), figure.get_figheight()
        widths_in = [width_of(label, style.LEGEND_PT) + HANDLE_IN for label in labels.values()]
        legend_in = max(widths_in, default=0.0)
        each_in = (WIDTH_IN - 2 * MARGIN_IN - legend_in) / len(self.plots)
        handles: dict[str, Artist] = {}
        for n, plot in enumerate(self.plots):
            left_in = MARGIN_IN + n * each_in + LEFT_IN
            size = (each_in - LEFT_IN - RIGHT_IN) / WIDTH_IN, self.plot_in / height_in
            bottom_in = top_in - ABOVE_IN - self.plot_in
            axes = figure.add_axes((left_in / WIDTH_IN, bottom_in / height_in, *size))
            draw_plot(axes, plot)
            found, names = axes.get_legend_handles_labels()
            handles |= dict(zip(names, found, strict=True))
        corner = 1 - (MARGIN_IN + legend_in) / WIDTH_IN, (top_in - ABOVE_IN) / height_in
        if labels:
            figure.legend(
                [handles[label] for label in labels],
                list(labels.values()),
                loc="upper left",
                bbox_to_anchor=corner,
                borderaxespad=0,
                borderpad=0,
                handlelength=3,
            )


def save_picture(chain: Chain, file: Path, rate_hz: int, *, overwrite: bool = False) -> None:
    """Draw a chain into a file, SVG, PNG or PDF by its suffix; the same chain gives the same bytes.

    Raises
    ------
    InputError
        Another suffix, a file that is there already, or a chain that cannot run at the rate.
    """
    with picture_file(file, chain.title, overwrite=overwrite) as save:
        save(draw_chain(chain, rate_hz))


def draw_chain(chain: Chain, rate_hz: int) -> Figure:
    """Measure every stage and draw it, in chain order, those inside a composite after it."""
    with style.styled():
        blocks = list(_blocks(chain, rate_hz))
        top_in = sum(block.height_in for block in blocks) + MARGIN_IN
        figure = Figure(figsize=(WIDTH_IN, top_in + MARGIN_IN))
        for block in blocks:
            block.draw(figure, top_in)
            top_in -= block.height_in
        return figure


def _blocks(chain: Chain, rate_hz: int) -> Iterator[Text | Row]:
    yield from _text(chain.title or "Chain", 14, "bold")
    yield from _text(chain.purpose, 9)
    yield from _text(rate_in_words(chain, rate_hz), 9)
    if not chain.stages:
        yield from _text("No stages: every sample leaves as it came.", 9)
    for where, _, stage in in_order(chain.placed()):
        yield from _text(f"{headline(stage)}  ({where})", 10, "bold", ruled=True)
        panel = panel_of(stage, rate_hz)
        settings = () if panel.tells_settings else (stage_in_words(stage),)
        for remark in (*settings, *panel.remarks):
            yield from _text(remark, 8)
        yield from map(Row, panel.rows)


def _text(text: str, size: float, weight: str = "normal", *, ruled: bool = False) -> Iterator[Text]:
    if text.strip():
        yield Text(wrapped(text, WIDTH_IN - 2 * MARGIN_IN, size, weight), size, weight, ruled)


def wrapped(text: str, width_in: float, size: float, weight: str = "normal") -> list[str]:
    """Lines that are no wider; a word that is wider by itself is broken."""
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".lstrip()
        if width_of(longer, size, weight) <= width_in:
            lines[-1] = longer
            continue
        rest = word
        while rest:
            fits = next(
                n for n in range(len(rest), 0, -1) if n == 1 or width_of(rest[:n], size, weight) <= width_in
            )
            lines.append(rest[:fits])
            rest = rest[fits:]
    return [line for line in lines if line]


def width_of(text: str, size: float, weight: str = "normal") -> float:
    """Width in inches of the widest line."""
    font = FontProperties(family=style.FONT, weight=weight, size=size)
    lines = text.split("\n")
    return max(text_to_path.get_text_width_height_descent(line, font, False)[0] for line in lines) / 72
