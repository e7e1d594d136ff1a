"""Saturator: its curve, and the harmonics that it adds to a tone."""

from __future__ import annotations

import numpy as np

from busproc.pictures import probe
from busproc.pictures.plot import Audio, Axis, Bars, Curve, Panel, Plot
from busproc.stages.saturator import Saturator, ratio_of

TONE_HZ = 1000
LEVELS_DBFS = (0.0, -12.0)
ORDERS = range(2, 10)
LEAST_DB = -100.0
SETTLE_S = 1


def panel(stage: Saturator, rate_hz: int) -> Panel:
    """Ask the kernel for the curve, and the whole stage, oversampling and all, for the harmonics."""
    matched = stage.level == "matched"
    told = {
        "drawn without the gain that matches the loudness, which is found in each song": matched,
        "the curve is drawn without the tilt around it, the harmonics with it": bool(stage.tone_db),
    }
    remarks = tuple(text for text, holds in told.items() if holds)
    plain = stage.model_copy(update={"level": "as_is"})
    return Panel(remarks, ((_curve(plain), _harmonics(plain, rate_hz)),))


def _curve(stage: Saturator) -> Plot:
    x = np.linspace(-1, 1, 401)
    drive = 10 ** (stage.drive_db / 20)
    ratio = ratio_of(stage.curve, np.stack([x, x], axis=1), drive, stage.mix, stage.bias)
    return Plot(
        f"{stage.curve} curve, drive and mix included",
        Axis("in (full scale 1)", -1, 1),
        Axis("out (full scale 1)", -1.05, 1.05),
        (Curve(x, x, look="reference"), Curve(x, x * ratio[:, 0])),
    )


def _harmonics(stage: Saturator, rate_hz: int) -> Plot:
    orders = tuple(order for order in ORDERS if 2 * order * TONE_HZ < rate_hz)
    bars = tuple(
        Bars(orders, tuple(_harmonics_db(stage, rate_hz, level)[list(orders)]), f"{level:g} dBFS")
        for level in LEVELS_DBFS
    )
    return Plot(
        f"Added to a sine of {TONE_HZ} Hz",
        Axis("harmonic", ORDERS[0] - 0.6, ORDERS[-1] + 0.6, kind="count"),
        Axis("against the sine (dB)", LEAST_DB, 0.0),
        bars=bars,
    )


def _harmonics_db(stage: Saturator, rate_hz: int, level_dbfs: float) -> Audio:
    """Level of each multiple of the tone against the tone itself, over a whole second."""
    tone = 10 ** (level_dbfs / 20) * probe.tone(TONE_HZ, (SETTLE_S + 1) * rate_hz, rate_hz)
    bus = np.stack([tone, tone], axis=1)
    spectrum = np.abs(np.fft.rfft(probe.treated(stage, rate_hz, bus, bus)[-rate_hz:, 0]))
    return probe.decibels(spectrum[::TONE_HZ] / spectrum[TONE_HZ])
