"""A gain around a step of the level."""

from __future__ import annotations

import numpy as np

from busproc.pictures.plot import Audio, Axis, Curve, Plot

SHARE = 1 - np.exp(-1)
"""63.2 %: what attack and release times are times to."""
SETTLED = 0.02
"""Closer to its last value than this share of the way, a gain is called settled."""
LEAST_DB = 0.01


def step_plot(name: str, when: str, gain_db: Audio, lead: int, rate_hz: int) -> Plot:
    """Gain over time around a step that comes after `lead` frames, until it has settled."""
    time_ms = (np.arange(len(gain_db)) - lead) * 1000 / rate_hz
    end = min(len(gain_db), max(lead + round(1.2 * (_settled(gain_db) - lead)), 2 * lead))
    at = _reached(gain_db)
    return Plot(
        f"{name}: no change" if at is None else f"{name}: 63 % at {float(f'{time_ms[at]:.3g}'):g} ms",
        Axis(f"ms {when}", time_ms[0], time_ms[end - 1]),
        Axis("gain (dB)", min(gain_db.min() - 1, gain_db.max() - 3), gain_db.max() + 1),
        (Curve(time_ms[:end], gain_db[:end]),),
        at_x=0.0,
        point=None if at is None else (float(time_ms[at]), float(gain_db[at])),
    )


def _reached(gain_db: Audio) -> int | None:
    """First frame in which 63.2 % of the way to the last value is covered; None where there is no way."""
    way = gain_db[-1] - gain_db[0]
    return int(np.argmax((gain_db - gain_db[0]) / way >= SHARE)) if abs(way) > LEAST_DB else None


def _settled(gain_db: Audio) -> int:
    """First frame from which the gain stays close to its last value."""
    away = np.flatnonzero(np.abs(gain_db - gain_db[-1]) > SETTLED * np.ptp(gain_db) + LEAST_DB)
    return int(away[-1]) + 1 if len(away) else 0
