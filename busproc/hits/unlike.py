"""How far a possible hit is from being another stroke, or two at once."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from busproc.hits.traces import TINY, in_bands

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from busproc.hits.traces import Trace

    Audio = NDArray[np.float64]

GAINS_DB = np.arange(-12.0, 13.0, 1.5)
DULLER_DB_PER_OCTAVE = (0.0, 1.5, 3.0)
"""The softer a stroke, the duller (common practice, no source). The numbers are ours, like all here."""
HEARD, UNHEARD_WEIGHT = 4.0, 0.1
"""A band counts in full where something stands 6 dB over what was before."""
PAIR_GAINS_DB, UNDER_GAINS_DB = np.arange(-9.0, 10.0, 3.0), np.arange(-24.0, 1.0, 3.0)
OVER_DB = 6.0
"""Of two at once, the first is so much stronger."""


def unlike_db(trace: Trace, shapes: Audio, rate_hz: int) -> tuple[Audio, Audio]:
    """How far a hit is from being each of other ones, louder or softer or duller.

    What was before it and the other one's shape, heard through the same prediction, would give powers in
    bands; told is how far, root mean square of dB, they are from what was found, at the best of some gains.

    Parameters
    ----------
    trace
        The hit.
    shapes
        Those of the others `(others, bins)`.
    rate_hz
        The rate.

    Returns
    -------
    unlike_db, gain_db : ndarray
        Of each other one, `(others,)`.
    """
    tilted = _duller(_models(trace, shapes, rate_hz))
    gains_db = _same_power_db(trace, tilted)[..., None] + GAINS_DB
    powers = trace.before + 10 ** (gains_db[..., None] / 10) * tilted[:, :, None]
    apart = _apart_db(trace, powers).reshape(len(shapes), -1)
    best = apart.argmin(axis=1)
    return apart.min(axis=1), gains_db.reshape(len(shapes), -1)[np.arange(len(shapes)), best]


def unlike_two_db(trace: Trace, firsts: Sequence[Trace], seconds: Sequence[Trace], rate_hz: int) -> float:
    """How far a hit is, in dB, from being one of the first and, 6 dB softer or more, one of the second."""
    if not firsts or not seconds:
        return math.inf
    first = _duller(_models(trace, np.array([each.shape for each in firsts]), rate_hz))
    second = _models(trace, np.array([each.shape for each in seconds]), rate_hz)
    first_db = _same_power_db(trace, first)[..., None] + PAIR_GAINS_DB
    second_db = _same_power_db(trace, second)[..., None] + UNDER_GAINS_DB
    powers = (10 ** (first_db[..., None] / 10) * first[:, :, None]).reshape(-1, first.shape[-1])
    levels_db = (first_db + np.array([each.added_dbfs for each in firsts])[:, None, None]).ravel()
    least_db = math.inf
    for each, model, gains_db in zip(seconds, second, second_db, strict=True):
        for gain_db in gains_db:
            over = levels_db >= each.added_dbfs + gain_db + OVER_DB
            both = trace.before + powers[over] + 10 ** (gain_db / 10) * model
            least_db = min(least_db, float(_apart_db(trace, both).min(initial=math.inf)))
    return least_db


def _models(trace: Trace, shapes: Audio, rate_hz: int) -> Audio:
    return in_bands(shapes * trace.whitening, rate_hz)


def _duller(models: Audio) -> Audio:
    """`(models, tilts, bands)`."""
    octaves = np.arange(models.shape[1]) / 3
    tilts = 10 ** (-np.multiply.outer(DULLER_DB_PER_OCTAVE, octaves - octaves.mean()) / 10)
    return np.asarray(models[:, None] * tilts)


def _same_power_db(trace: Trace, models: Audio) -> Audio:
    added = float(np.sum(np.maximum(trace.after - trace.before, 0.0))) + TINY
    return np.asarray(10 * np.log10(added / (models.sum(axis=-1) + TINY)))


def _apart_db(trace: Trace, powers: Audio) -> Audio:
    weight = UNHEARD_WEIGHT + (np.maximum(powers, trace.after) > HEARD * trace.before)
    apart_db = 10 * np.log10((trace.after + TINY) / (powers + TINY))
    return np.asarray(np.sqrt(np.sum(weight * apart_db**2, axis=-1) / np.sum(weight, axis=-1)))
