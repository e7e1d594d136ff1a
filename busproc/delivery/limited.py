"""A sound on disk held under a ceiling by a limiter of its own."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from busproc.scratch import Scratch
from busproc.stages.base import Audio
from busproc.stages.context import Context
from busproc.stages.limiter import Limiter
from busproc.stages.series import Placed, plan_series, process_series, start_series
from busproc.studies import study_stages


def limited(sound: Scratch, limiter: Limiter, rate_hz: int) -> Scratch:
    """Limit a whole sound `(frames, 2)`, checked between the samples, whatever loudness comes of it."""
    stage = limiter.model_copy(update={"target_lufs": None, "when": None, "verify": True})
    placed: Placed = [("limiter", stage)]
    here = Context(rate_hz)
    study_stages(placed, here, lambda _: _blocks_of(sound), lambda _: None)
    plan = plan_series(placed, here)
    state, out = start_series(plan, 1, watched=False), Scratch((2,), sound.folder)
    for block in _blocks_of(sound):
        out.append(process_series(plan, state, np.ascontiguousarray(block[:, None]), {})[:, 0])
    return out


def _blocks_of(sound: Scratch) -> Iterator[Audio]:
    return (block for _, block in sound.blocks())
