"""From power to decibels, where silence has no level."""

from __future__ import annotations

import math

SINE_CREST_DB = 10 * math.log10(2)
"""What is added to the level of a mean square so that a sine reads its own peak (AES17: 3.0103 dB)."""

_SILENT_POWER = 1e-30


def power_db(power: float) -> float | None:
    """Return 10 lg(power), or None for silence, which is any power under -300 dB."""
    return None if power < _SILENT_POWER else 10 * math.log10(power)


def raised(level_db: float | None, by_db: float) -> float | None:
    """Return the level moved by `by_db`; silence stays None."""
    return None if level_db is None else level_db + by_db


def rounded(value: float | None, digits: int) -> float | None:
    """Return the value for a report, without a negative zero."""
    return None if value is None else round(value, digits) + 0.0
