"""Facts about a whole song, found before the render in passes of their own."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Any

import numpy as np

from busproc.mixing import start_graph
from busproc.routing import plan_graph
from busproc.run import stream
from busproc.song import Song
from busproc.stages.base import Audio
from busproc.stages.context import Context
from busproc.stages.series import Placed
from busproc.studies import Announce, study_stages

Found = dict[str, dict[str, Any]]


def find_facts(song: Song, block_frames: int, announce: Announce) -> Found:
    """Run every study of a song: each costs one pass over what leads to it."""
    found: Found = {}

    def heard(name: str, stages: Placed) -> Iterator[Audio]:
        plan = plan_graph(song, found, end=name, stages=stages)
        for block in stream(plan, start_graph(plan, watched=False), block_frames):
            yield np.ascontiguousarray(block[:, 0])

    for name in song.order:
        bus = song.buses[name]
        study_stages(
            bus.chain.placed(), Context(song.rate_hz, bus.place, found), partial(heard, name), announce
        )
    return found
