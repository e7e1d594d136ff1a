"""The figures of a check's page, each with its numbers in a table beside it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from busproc.pages.markup import clock, column_heads, make, row, shown, table, under_details
from busproc.pages.plots import LEFT, RIGHT, WIDE, Axis, Curve, Panel, Scale, plot, sample, song_style

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from xml.etree.ElementTree import Element

Document = dict[str, Any]

NAME_PX, CELL_PX, FOOT_PX = 16, 14, 26
TICK_HZ = (100, 1000, 10000)
PLOT_PX = 130
LEAST_SHOWN = 0.05
PLOTTED = 3
MOST_TICKS = 7
STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1200, 3600)


def hidden_by_band(document: Document) -> Element:
    """What each stem loses to all others, band by band."""
    masking = document["masking"]
    rows, freqs_hz = masking["against_rest"], masking["freqs_hz"]
    described = (
        "What each stem loses to all others at once, by bands one ERB apart: the darker, the more of its "
        "loudness is lost; bands in which it hardly sounds are left empty."
    )
    numbers = table(
        "Loss to all others by band, 0 to 1",
        [column_heads(["Hz", *(each["stem"] for each in rows)])],
        [
            row(f"{hz:.0f}", [shown(each["loss_by_band"][n], 2) for each in rows])
            for n, hz in enumerate(freqs_hz)
        ],
        "hidden-numbers",
    )
    height_px = len(rows) * (NAME_PX + CELL_PX) + FOOT_PX
    drawn = make(
        "svg",
        make("title", "What is hidden, stem by band", id="hidden-title"),
        make("desc", described, id="hidden-desc"),
        _heat(rows, freqs_hz),
        _ticks(freqs_hz, height_px),
        role="img",
        aria_labelledby="hidden-title",
        aria_describedby="hidden-desc",
        width="100%",
        height=height_px,
    )
    return make("figure", drawn, make("figcaption", described), under_details("The numbers", numbers))


def by_second(document: Document) -> Element:
    """The loss of the worst pairs over time, each in the band where most is lost."""
    masking = document["masking"]
    pairs, losses = masking["pairs"][:PLOTTED], masking["by_second"][:PLOTTED]
    seconds = max(len(each) for each in losses)
    names = [f"{each['masked']} under {each['masker']}, {each['freq_hz']:.0f} Hz" for each in pairs]
    styles = [song_style(n) for n in range(1, len(pairs) + 1)]
    curves = [
        Curve([((k + 0.5) / seconds, loss) for k, loss in enumerate(each)], style, name)
        for each, style, name in zip(losses, styles, names, strict=True)
    ]
    described = (
        "Loss in each second in the band where most is lost; gaps where the stem does not sound there."
    )
    panel = Panel("Loss, %", Scale(101, -1, 25), PLOT_PX, [_hundredfold(c) for c in curves])
    axis = Axis(_time_ticks(seconds), "minutes and seconds")
    legend = [make("li", sample(style), name) for style, name in zip(styles, names, strict=True)]
    numbers = table(
        "Loss second by second, 0 to 1",
        [column_heads(["Time", *names])],
        [
            row(clock(k), [shown(each[k] if k < len(each) else None, 2) for each in losses])
            for k in range(seconds)
        ],
        "seconds-numbers",
    )
    return make(
        "figure",
        plot("seconds", "The worst pairs over time", described, [panel], axis),
        make("figcaption", described, make("ul", legend, class_="legend")),
        under_details("The numbers, second by second", numbers),
    )


def sum_of_two(finding: Document, number: int) -> Element:
    """What the sum of two stems loses in each third octave as it is, and corrected."""
    bands = finding["figures"]["bands"]
    described = "Level of their sum against both powers added up, by third octave."
    points = [(n + 0.5) / len(bands) for n in range(len(bands))]
    drawn = {"most_db": "whole", "now_db": "song hue1", "after_db": "song dash1 hue0"}
    called = {"most_db": "the most it could be", "now_db": "as it is", "after_db": "corrected and rendered"}
    curves = [
        Curve(list(zip(points, (each[key] for each in bands), strict=True)), style, called[key])
        for key, style in drawn.items()
    ]
    known = [each[key] for each in bands for key in drawn if each[key] is not None]
    lower = max(math.floor(min(known) / 6) * 6, -30)
    scale = Scale(6.5, lower - 0.5, 6)
    places = [(points[n], _short(hz)) for hz in TICK_HZ for n in _bands_at(bands, hz)]
    name = f"sum-{number}"
    legend = [make("li", sample(style), called[key]) for key, style in drawn.items()]
    title = f"The sum of {' and '.join(finding['stems'])}"
    return make(
        "figure",
        plot(name, title, described, [Panel("dB", scale, PLOT_PX, curves)], Axis(places, "Hz")),
        make("figcaption", described, make("ul", legend, class_="legend")),
        under_details(
            "The numbers",
            table(
                f"{title}, dB",
                [column_heads(["Hz", *called.values()])],
                [row(f"{each['hz']:.0f}", [shown(each[key]) for key in called]) for each in bands],
                f"{name}-numbers",
            ),
        ),
    )


def _bands_at(bands: Sequence[Document], hz: float) -> list[int]:
    """Where a third octave stands, if it is there."""
    return [n for n, each in enumerate(bands) if abs(each["hz"] / hz - 1) < 0.1]


def _heat(rows: Sequence[Document], freqs_hz: Sequence[float]) -> Iterator[Element]:
    for n, each in enumerate(rows):
        top_px = n * (NAME_PX + CELL_PX)
        yield make("text", f"{each['stem']}: {shown(each['loss'], 2)}", x=0, y=top_px + NAME_PX - 4)
        yield make(
            "svg",
            make("rect", x=0, y=0, width=WIDE, height=CELL_PX, class_="row"),
            _cells(each, freqs_hz),
            x=f"{LEFT:g}%",
            y=top_px + NAME_PX,
            width=f"{RIGHT - LEFT:g}%",
            height=CELL_PX - 2,
            viewBox=f"0 0 {WIDE} {CELL_PX}",
            preserveAspectRatio="none",
        )


def _cells(stem: Document, freqs_hz: Sequence[float]) -> Iterator[Element]:
    wide = WIDE / len(freqs_hz)
    for n, (hz, loss, sounds) in enumerate(
        zip(freqs_hz, stem["loss_by_band"], stem["sounds_by_band"], strict=True)
    ):
        if sounds >= LEAST_SHOWN:
            yield make(
                "rect",
                make("title", f"{stem['stem']}, {hz:.0f} Hz: {shown(loss, 2)}"),
                x=f"{n * wide:.1f}",
                y=0,
                width=f"{wide:.1f}",
                height=CELL_PX,
                fill_opacity=f"{loss:.2f}",
                class_="cell",
            )


def _ticks(freqs_hz: Sequence[float], height_px: int) -> Iterator[Element]:
    for hz in TICK_HZ:
        if hz <= freqs_hz[-1]:
            band = min(range(len(freqs_hz)), key=lambda n: abs(freqs_hz[n] - hz))
            x = LEFT + (RIGHT - LEFT) * (band + 0.5) / len(freqs_hz)
            yield make("text", f"{_short(hz)} Hz", x=f"{x:.1f}%", y=height_px - 8, text_anchor="middle")


def _short(hz: int) -> str:
    return str(hz) if hz < 1000 else f"{hz // 1000}k"


def _hundredfold(curve: Curve) -> Curve:
    points = [(place, None if value is None else 100 * value) for place, value in curve.points]
    return Curve(points, curve.style, curve.title)


def _time_ticks(seconds: float) -> list[tuple[float, str]]:
    step = next((step for step in STEPS_S if seconds / step <= MOST_TICKS), STEPS_S[-1])
    return [(at / seconds, clock(at)) for at in range(0, int(seconds) + 1, step)]
