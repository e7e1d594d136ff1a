"""The bext chunk of a Broadcast Wave file: who made it, where it starts, how loud it is, how it was coded.

Source: EBU Tech 3285 version 2 (2011); the value of an unset loudness is from memory.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from busproc.files.wave import map_chunks

_FIXED: Final = struct.Struct("<256s32s32s10s8sQH64s5h180s")
_LOUDNESS: Final = struct.Struct("<5h")
_LOUDNESS_OFFSET: Final = 412
_VERSION: Final = 2
_UNSET: Final = 0x7FFF


@dataclass(frozen=True)
class Broadcast:
    """What a bext chunk says, beside the loudness that is found once the file is written.

    Attributes
    ----------
    description, originator, reference
        Free text, cut to 256, 32 and 32 characters; letters outside ASCII are replaced.
    date
        "2026-01-31", or "" for none: it comes from the user, never from the clock.
    time_reference_frames
        Start of the file on the session's clock.
    coding_history
        How the samples came about, a line for each step.
    """

    description: str = ""
    originator: str = ""
    reference: str = ""
    date: str = ""
    time_reference_frames: int = 0
    coding_history: str = ""

    def content(self) -> bytes:
        """Return the chunk's content, the loudness unset."""
        fixed = _FIXED.pack(
            _ascii(self.description),
            _ascii(self.originator),
            _ascii(self.reference),
            _ascii(self.date),
            b"",
            self.time_reference_frames,
            _VERSION,
            b"",
            *[_UNSET] * 5,
            b"",
        )
        history = _ascii(self.coding_history)
        return fixed + history + bytes(len(history) % 2)


def stamp_loudness(
    path: Path,
    integrated_lufs: float | None,
    range_lu: float | None,
    true_peak_dbtp: float | None,
    momentary_lufs: float | None,
    short_term_lufs: float | None,
) -> None:
    """Write what was measured into the bext chunk of a file; without such a chunk nothing happens."""
    figures = (integrated_lufs, range_lu, true_peak_dbtp, momentary_lufs, short_term_lufs)
    with path.open("r+b") as file:
        chunk = next((chunk for chunk in map_chunks(file).chunks if chunk.name == "bext"), None)
        if chunk is not None:
            file.seek(chunk.start + _LOUDNESS_OFFSET)
            file.write(_LOUDNESS.pack(*[_UNSET if one is None else round(100 * one) for one in figures]))


def _ascii(text: str) -> bytes:
    return text.encode("ascii", "replace")
