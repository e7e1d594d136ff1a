"""Tags of a FLAC file, put in after the encoder is done with it.

Source: RFC 9639 (2024), section 8, and the Vorbis comment it refers to, both from memory.
"""

from __future__ import annotations

import shutil
import struct
from collections.abc import Mapping
from pathlib import Path
from typing import BinaryIO

MARK = b"fLaC"
LAST = 0x80
COMMENT, PADDING = 4, 1


def write_flac_tags(path: Path, tags: Mapping[str, str], vendor: str) -> None:
    """Give a FLAC file these tags in place of any it has; the audio stays as it is, byte for byte.

    Parameters
    ----------
    path
        The file.
    tags
        Names (ASCII, without "=") and texts.
    vendor
        What made the file.
    """
    whole = path.with_name(f"{path.name}.tagged")
    with path.open("rb") as file, whole.open("wb") as made:
        if file.read(4) != MARK:
            raise ValueError(f"{path} is no FLAC file")
        blocks = [(kind, body) for kind, body in _blocks(file) if kind not in {COMMENT, PADDING}]
        blocks.append((COMMENT, _comment(tags, vendor)))
        made.write(MARK)
        for n, (kind, body) in enumerate(blocks, 1):
            last = LAST if n == len(blocks) else 0
            made.write(bytes([kind | last]) + len(body).to_bytes(3, "big") + body)
        shutil.copyfileobj(file, made)
    whole.replace(path)


def _blocks(file: BinaryIO) -> list[tuple[int, bytes]]:
    """The metadata blocks from here on; leaves the file where the audio begins."""
    blocks = []
    while True:
        head = file.read(1)[0]
        blocks.append((head & ~LAST, file.read(int.from_bytes(file.read(3), "big"))))
        if head & LAST:
            return blocks


def _comment(tags: Mapping[str, str], vendor: str) -> bytes:
    texts = [vendor, *(f"{name}={text}" for name, text in tags.items())]
    sized = [struct.pack("<I", len(text.encode())) + text.encode() for text in texts]
    return sized[0] + struct.pack("<I", len(tags)) + b"".join(sized[1:])
