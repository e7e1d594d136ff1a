"""A sound on disk held under a ceiling by a limiter of its own."""

from __future__ import annotations

from busproc.scratch import Scratch
from busproc.stages.limiter import Limiter
from busproc.through import Entrance, through


def limited(sound: Scratch, limiter: Limiter, rate_hz: int) -> Scratch:
    """Limit a whole sound `(frames, 2)`, checked between the samples, whatever loudness comes of it."""
    stage = limiter.model_copy(update={"target_lufs": None, "when": None, "verify": True})
    out = Scratch((2,), sound.folder)
    for block in through([("limiter", stage)], Entrance(rate_hz, sound, sound.frames)).left.blocks():
        out.append(block)
    return out
