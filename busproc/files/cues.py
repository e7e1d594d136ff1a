"""Marks in a WAV file: a cue chunk with their places, and a list of labels with their names.

Source: Microsoft and IBM, "Multimedia Programming Interface and Data Specifications 1.0", 1991 (from memory):
chunks `cue `, and `labl` in a `LIST` of type `adtl`; text without a CSET chunk is ISO 8859-1.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from busproc.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Sequence

_LAST_FRAME: Final = 0xFFFF_FFFF
_POINT: Final = struct.Struct(
    "<II4sIII"
)  # number, frame played, chunk, its start, block's start, frame in it


@dataclass(frozen=True)
class Cue:
    """A mark: its frame from the start of the file, and its name."""

    frame: int
    name: str


def cue_chunks(cues: Sequence[Cue]) -> bytes:
    """Whole chunks that mark places in the samples of a file; none without marks.

    Letters outside ISO 8859-1 are replaced.

    Raises
    ------
    InputError
        A mark lies where 32 bits cannot count.
    """
    if not cues:
        return b""
    for cue in cues:
        if not 0 <= cue.frame <= _LAST_FRAME:
            raise InputError(
                f"the mark {cue.name!r} lies at frame {cue.frame}; a WAV file marks 0 to 2^32 - 1"
            )
    points = [_POINT.pack(n, cue.frame, b"data", 0, 0, cue.frame) for n, cue in enumerate(cues, 1)]
    labels = [_chunk(b"labl", struct.pack("<I", n) + _text(cue.name)) for n, cue in enumerate(cues, 1)]
    count = struct.pack("<I", len(cues))
    return _chunk(b"cue ", count + b"".join(points)) + _chunk(b"LIST", b"adtl" + b"".join(labels))


def _text(name: str) -> bytes:
    return name.encode("latin-1", "replace") + b"\0"


def _chunk(name: bytes, content: bytes) -> bytes:
    return struct.pack("<4sI", name, len(content)) + content + bytes(len(content) % 2)
