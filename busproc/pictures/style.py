"""How pictures look: black and a few colours that the colour-blind tell apart, and dashes that all do."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import matplotlib as mpl

FONT = "DejaVu Sans"  # comes with matplotlib
LEGEND_PT = 7.5

STYLE: dict[Any, Any] = {
    "font.family": FONT,
    "font.size": 8.0,
    "text.parse_math": False,
    "text.hinting": "none",
    "svg.fonttype": "path",
    "svg.hashsalt": "busproc",
    "axes.titlesize": 8.5,
    "axes.titlelocation": "left",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.unicode_minus": False,
    "grid.color": "0.88",
    "grid.linewidth": 0.6,
    "hatch.linewidth": 0.6,
    "legend.frameon": False,
    "legend.fontsize": LEGEND_PT,
    "savefig.dpi": 150,
}
"""Glyphs are drawn as paths: a viewer's own font would be wider or narrower than the places made for it."""

METADATA: dict[str, dict[str, str | None]] = {
    ".svg": {"Creator": "busproc", "Date": None},
    ".png": {"Software": "busproc"},
    ".pdf": {"Creator": "busproc", "Producer": None, "CreationDate": None},
}
"""What is written into each kind of file: neither a date nor a version, so that the bytes stay."""

COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#56B4E9")  # Okabe and Ito's palette
DASHES: tuple[Any, ...] = ("-", (0, (5, 1.5)), (0, (1.5, 1.2)), (0, (6, 1.5, 1.2, 1.5)))
LOOKS: dict[str, dict[str, Any]] = {
    "main": {"color": "black", "linewidth": 2.0, "zorder": 4},
    "second": {"color": "black", "linewidth": 1.5, "linestyle": (0, (4, 1.5)), "zorder": 5},
    "reference": {"color": "0.55", "linewidth": 0.8, "linestyle": ":", "zorder": 2},
}
MARK: dict[str, Any] = {"color": "0.35", "linewidth": 0.9, "linestyle": (0, (2, 2)), "zorder": 3}
SHADE: dict[str, Any] = {"color": "0.82", "linewidth": 0, "zorder": 1}
BARS: tuple[dict[str, Any], ...] = (
    {"facecolor": "0.25", "edgecolor": "black"},
    {"facecolor": "white", "edgecolor": "black", "hatch": "////"},
)


@contextmanager
def styled() -> Iterator[None]:
    """Draw in this style, whatever else is set for matplotlib; that is put back at the end.

    A letter that the font does not have becomes a box, without a word.
    """
    with mpl.rc_context(), warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph .* missing from font")
        mpl.rcdefaults()
        mpl.rcParams.update(STYLE)
        yield


def look_of_part(n: int) -> dict[str, Any]:
    """A thin line; each differs from the others in colour or dashes."""
    return {
        "color": COLOURS[n % len(COLOURS)],
        "linestyle": DASHES[n % len(DASHES)],
        "linewidth": 1.1,
        "zorder": 5,
    }
