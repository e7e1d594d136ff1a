"""The hits of a percussive recording: found, measured, and told from the bleed of other drums."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np

from busproc.files import AudioReader
from busproc.hits.foreseen import HOP_MS
from busproc.hits.onset import onset_near
from busproc.hits.own import confidences
from busproc.hits.rises import rising_hops
from busproc.hits.settings import Hit, HitList
from busproc.hits.strength import strength_dbfs
from busproc.hits.traces import Traces, trace_of
from busproc.measure.grid import Pieces

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from pathlib import Path

    from numpy.typing import NDArray

    Audio = NDArray[np.float64]

CORE_HOPS, MARGIN_HOPS = 4800, 1200
"""Pieces of 4.8 s are searched, and 1.2 s to either side seen: whole numbers of what is foreseen at once, so
that all lies on one grid. Ours, like all numbers here."""
LEAD_HOPS = 16
"""The search begins so long before the sound: by its window, a stroke in the first frame rises before it."""
APART_MS = 5.0
LISTED = 0.45
"""What is less sure is no hit."""
_READ_FRAMES = 1 << 16


def find_hits(path: Path | str, progress: Callable[[str, float], None] | None = None) -> HitList:
    """Find the hits of a recording of one drum.

    Strokes of other drums that bleed in, softer and of another sound, are not hits; what is soft and of this
    drum's sound is one. Memory grows with the hits, not with the length of the recording.

    Parameters
    ----------
    path
        An audio file.
    progress
        Told what is done, and how far it is, 0 to 1.

    Returns
    -------
    HitList
        In order; empty where nothing is struck.

    Raises
    ------
    AudioFileError
        When the file cannot be read.
    """
    with AudioReader(path) as reader:
        info = reader.info

        def blocks() -> Iterator[Audio]:
            for first in range(0, info.frames, _READ_FRAMES):
                if progress is not None:
                    progress(f"listening to {info.path.name}", first / info.frames)
                yield reader.read(_READ_FRAMES)

        return HitList(file=info.path.name, hits=hits_of(blocks(), info.channels, info.rate_hz))


def hits_of(blocks: Iterable[Audio], channels: int, rate_hz: int) -> tuple[Hit, ...]:
    """Find the hits of a sound that comes in blocks `(frames, channels)` of whatever sizes."""
    length = 0

    def counted() -> Iterator[Audio]:
        nonlocal length
        for block in blocks:
            length += len(block)
            yield block

    frames: list[int] = []
    levels_dbfs: list[float] = []
    traces = Traces()
    apart = round(APART_MS * rate_hz / 1000)
    for begin, piece, rises in _pieces(counted(), channels, rate_hz):
        for near in rises:
            onset = max(onset_near(piece, near, rate_hz), -begin)
            if begin + onset - (frames[-1] if frames else -apart) >= apart:
                frames.append(begin + onset)
                levels_dbfs.append(strength_dbfs(piece, onset, rate_hz))
                traces.append(trace_of(piece, onset, rate_hz))
    sure = confidences(traces, rate_hz)
    return tuple(
        Hit(at_s=round(frame / rate_hz, 6), level_dbfs=round(level, 2), confidence=round(float(how), 2))
        for frame, level, how in zip(frames, levels_dbfs, sure, strict=True)
        if how >= LISTED and frame < length
    )


def _pieces(blocks: Iterable[Audio], channels: int, rate_hz: int) -> Iterator[tuple[int, Audio, list[int]]]:
    """Pieces that overlap, each with its first frame and where in its core it rises."""
    hop = round(HOP_MS * rate_hz / 1000)
    core, margin = CORE_HOPS * hop, MARGIN_HOPS * hop
    pieces = Pieces(core + 2 * margin, channels, shared=2 * margin)
    begin = -margin - LEAD_HOPS * hop
    before, after = np.zeros((-begin, channels)), np.zeros((core + margin, channels))
    for block in itertools.chain([before], blocks, [after]):
        for piece in pieces.of(block):
            yield (
                begin,
                piece,
                [int(at) for at in hop * rising_hops(piece, rate_hz) if margin <= at < margin + core],
            )
            begin += core
