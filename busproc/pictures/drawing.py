"""Drawing a plot into a pair of axes."""

from __future__ import annotations

from matplotlib.axes import Axes
from matplotlib.axis import Axis as DrawnAxis
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, MultipleLocator, NullLocator

from busproc.pictures import style
from busproc.pictures.plot import Axis, Plot

TICKS_HZ = tuple(step * decade for decade in (10, 100, 1000, 10000, 100000) for step in (1, 2, 5))
BAR_WIDTH = 0.36
TICK_STEPS = (1, 2, 5, 10)


def draw_plot(axes: Axes, plot: Plot) -> None:
    """Draw all that stands in it."""
    axes.set(title=plot.title, xscale="log" if plot.x.kind == "frequency" else "linear")
    _draw_marks(axes, plot)
    for shade in plot.shades:
        axes.fill_between(shade.x, shade.low, shade.high, label=shade.label, **style.SHADE)
    parts = 0
    for curve in plot.curves:
        look = style.LOOKS.get(curve.look) or style.look_of_part(parts)
        parts += curve.look == "part"
        axes.plot(curve.x, curve.y, label=curve.label, **look)
    _draw_bars(axes, plot)
    axes.set(xlim=(plot.x.low, plot.x.high), xlabel=plot.x.label)
    axes.set(ylim=(plot.y.low, plot.y.high), ylabel=plot.y.label)
    _set_ticks(axes.xaxis, plot.x, most_ticks=6)
    _set_ticks(axes.yaxis, plot.y, most_ticks=8)


def _draw_marks(axes: Axes, plot: Plot) -> None:
    if plot.span:
        axes.axvspan(*plot.span, **style.SHADE)
    if plot.at_x is not None:
        axes.axvline(plot.at_x, **style.MARK)
    if plot.point:
        axes.plot(*plot.point, "o", color="black", markersize=5, zorder=6)


def _draw_bars(axes: Axes, plot: Plot) -> None:
    bottom = plot.y.low
    for n, bars in enumerate(plot.bars):
        aside = (n - (len(plot.bars) - 1) / 2) * BAR_WIDTH
        seen = [(x + aside, y - bottom) for x, y in zip(bars.x, bars.y, strict=True) if y > bottom]
        x, height = zip(*seen, strict=True) if seen else ((), ())
        axes.bar(x, height, BAR_WIDTH, bottom, label=bars.label, **style.BARS[n % len(style.BARS)])


def _set_ticks(drawn: DrawnAxis, axis: Axis, most_ticks: int) -> None:
    if axis.kind == "frequency":
        drawn.set_major_locator(FixedLocator([each for each in TICKS_HZ if axis.low <= each <= axis.high]))
        drawn.set_minor_locator(NullLocator())
        drawn.set_major_formatter(FuncFormatter(lambda hz, _: f"{hz / 1000:g}k" if hz >= 1000 else f"{hz:g}"))
    else:
        some = MaxNLocator(most_ticks, steps=TICK_STEPS)
        drawn.set_major_locator(MultipleLocator(1) if axis.kind == "count" else some)
