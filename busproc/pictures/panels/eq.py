"""EQ: each band and their sum; dynamic bells at rest and as far as a full-scale sine moves them."""

from __future__ import annotations

import numpy as np

from busproc.pictures import probe
from busproc.pictures.plot import ALIKE_DB, Audio, Curve, Panel, Plot, Shade, spectrum
from busproc.stages.eq import DynamicBell, Eq
from busproc.stages.eq_bands import Band, On

SIDES: dict[On, probe.Sides] = {"left_right": probe.MID, "mid": probe.MID, "side": probe.SIDE}


def panel(stage: Eq, rate_hz: int) -> Panel:
    """One plot for left and right, one for mid, one for side, where they have bands."""
    used = [on for on in SIDES if any(band.on == on for band in stage.bands)] or ["left_right"]
    return Panel(rows=tuple((_plot(stage, rate_hz, on),) for on in used))


def _plot(stage: Eq, rate_hz: int, on: On) -> Plot:
    bands = [band for band in stage.bands if band.on == on]
    freq_hz, rest_db = _response(stage, rate_hz, on, bands)
    parts, moved_db = [], np.zeros_like(rest_db)
    for band in bands:
        parts.append(Curve(freq_hz, _response(stage, rate_hz, on, [band])[1], _label(band), "part"))
        if isinstance(band, DynamicBell):
            moved_db += _response(stage, rate_hz, on, [band], loud=band)[1] - parts[-1].y
    curves, shades = [*parts, Curve(freq_hz, rest_db, "sum")], []
    if abs(moved_db).max() > ALIKE_DB:
        curves[-1] = Curve(freq_hz, rest_db, "sum at rest")
        curves.append(
            Curve(freq_hz, rest_db + moved_db, "sum, a full-scale sine at each dynamic bell", "second")
        )
        shades.append(Shade(freq_hz, rest_db + moved_db, rest_db, "moves between"))
    return spectrum(on.replace("_", " and ").capitalize(), curves, tuple(shades))


def _response(
    stage: Eq, rate_hz: int, on: On, bands: list[Band], loud: DynamicBell | None = None
) -> tuple[Audio, ...]:
    """Gain over frequency of some bands alone, at rest or while a full-scale sine sounds at one of them."""
    sides = SIDES[on]
    bus = None
    if loud:
        bus = probe.tone(loud.freq_hz, probe.response_frames(rate_hz), rate_hz)[:, None] * sides
    alone = stage.model_copy(update={"bands": tuple(bands)})
    return probe.response(alone, rate_hz, sides, bus=bus)


def _label(band: Band) -> str:
    """What a legend calls it: Q too, where it is not the usual one and not told yet."""
    told, q = band.in_words(), getattr(band, "q", None)
    usual = q is None or q == type(band).model_fields["q"].default
    return told if usual or "Q" in told else f"{told}, Q {q:g}"
