"""The chunks of RIFF, RF64, BW64, Wave64 and AIFF files: finding them in a file, and the header of a new one.

Sources: RIFF/WAVE, Microsoft and IBM, "Multimedia Programming Interface and Data Specifications 1.0", 1991
(from memory); RF64, EBU Tech 3306; the bext chunk, EBU Tech 3285; Wave64 and AIFF as libsndfile 1.2.2 writes
them.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from io import SEEK_END
from typing import TYPE_CHECKING, Final, Literal, TypeAlias

if TYPE_CHECKING:
    from typing import BinaryIO

Bits: TypeAlias = Literal[16, 24, 32, "32_float"]

MAX_RIFF_BYTES = 0xFFFF_FFFF  # what the 32-bit size field of a RIFF file can say
_IN_DS64 = 0xFFFF_FFFF  # a 32-bit size field that points to the ds64 chunk
_TIME_REFERENCE_OFFSET: Final = 338  # in a bext chunk
_DS64: Final = struct.Struct("<QQQI")  # RIFF size, data size, frames, entries in a table we leave empty


@dataclass(frozen=True, slots=True)
class Chunk:
    """A chunk: its four characters, and where its data starts and how much there should be, in bytes."""

    name: str
    start: int
    size: int


@dataclass(frozen=True, slots=True)
class ChunkMap:
    """The chunks of a file.

    Attributes
    ----------
    kind
        The file's first four bytes as text: "RIFF", "RF64", "riff" (Wave64), "FORM" (AIFF) ..
    file_bytes
        Length of the file.
    chunks
        In file order. Empty if the file is not made of chunks.
    time_reference_frames
        From the bext chunk of a Broadcast Wave file: frames since midnight. None without one.
    """

    kind: str
    file_bytes: int
    chunks: tuple[Chunk, ...]
    time_reference_frames: int | None

    @property
    def audio(self) -> Chunk | None:
        """The chunk that holds the samples."""
        return next((chunk for chunk in self.chunks if chunk.name in {"data", "SSND"}), None)


@dataclass(frozen=True, slots=True)
class _Dialect:
    first_chunk: int
    header: struct.Struct
    counted_header: int  # bytes of its own header that a chunk's size includes
    alignment: int


_LITTLE_ENDIAN = _Dialect(12, struct.Struct("<4sI"), 0, 2)
_BIG_ENDIAN = _Dialect(12, struct.Struct(">4sI"), 0, 2)
_WAVE64 = _Dialect(40, struct.Struct("<4s12xQ"), 24, 8)
_DIALECTS: Final = {
    b"RIFF": _LITTLE_ENDIAN,
    b"RF64": _LITTLE_ENDIAN,
    b"BW64": _LITTLE_ENDIAN,
    b"RIFX": _BIG_ENDIAN,
    b"FORM": _BIG_ENDIAN,
    b"riff": _WAVE64,
}


def map_chunks(file: BinaryIO) -> ChunkMap:
    """Find the chunks of an open file, whatever its kind; leaves the position at the start."""
    file_bytes = file.seek(0, SEEK_END)
    file.seek(0)
    kind = file.read(4)
    dialect = _DIALECTS.get(kind)
    chunks = _walk(file, file_bytes, dialect) if dialect else ()
    time_reference_frames = _read_time_reference(file, chunks)
    file.seek(0)
    return ChunkMap(kind.decode("latin-1"), file_bytes, chunks, time_reference_frames)


def _walk(file: BinaryIO, file_bytes: int, dialect: _Dialect) -> tuple[Chunk, ...]:
    chunks: list[Chunk] = []
    position = dialect.first_chunk
    while position + dialect.header.size <= file_bytes:
        file.seek(position)
        name, size = dialect.header.unpack(file.read(dialect.header.size))
        if not (name.isascii() and name.decode().isprintable()):
            break  # what follows is no chunk: padding, or audio that a crashed recorder did not count
        start = position + dialect.header.size
        size = max(size - dialect.counted_header, 0)
        if name == b"data" and size == _IN_DS64:
            size = _read_ds64_data_size(file, chunks, size)
        chunks.append(Chunk(name.decode(), start, size))
        position = start + size + -size % dialect.alignment
    return tuple(chunks)


def _read_ds64_data_size(file: BinaryIO, chunks: list[Chunk], otherwise: int) -> int:
    ds64 = next((chunk for chunk in chunks if chunk.name == "ds64"), None)
    return _read_uint64(file, ds64.start + 8) if ds64 else otherwise


def _read_time_reference(file: BinaryIO, chunks: tuple[Chunk, ...]) -> int | None:
    bext = next((chunk for chunk in chunks if chunk.name == "bext"), None)
    if bext is None or bext.size < _TIME_REFERENCE_OFFSET + 8:
        return None
    return _read_uint64(file, bext.start + _TIME_REFERENCE_OFFSET)


def _read_uint64(file: BinaryIO, position: int) -> int:
    file.seek(position)
    return int.from_bytes(file.read(8), "little")


def wave_header(
    bits: Bits, rate_hz: int, channels: int, frames: int, bext: bytes = b"", cues: bytes = b""
) -> bytes:
    """Make all of a WAV file that stands before its first sample.

    `bext` is the content of that chunk, `cues` are whole chunks as `cue_chunks` makes them; both are even in
    length.

    A JUNK chunk keeps the place in which a file too long for RIFF carries its 64-bit sizes (ds64), so the
    samples start at the same byte either way. A data chunk of odd length must be followed by one zero byte.
    """
    sample_bytes = 4 if bits == "32_float" else bits // 8
    frame_bytes = channels * sample_bytes
    data_bytes = frames * frame_bytes
    format_ = _format_chunks(bits, rate_hz, channels, frames, frame_bytes)
    if bext:
        format_ += _chunk(b"bext", bext)
    format_ += cues
    riff_bytes = len(b"WAVE") + (8 + _DS64.size) + len(format_) + 8 + data_bytes + data_bytes % 2
    if riff_bytes <= MAX_RIFF_BYTES:
        start, data_field = b"RIFF" + struct.pack("<I", riff_bytes), data_bytes
        sizes = _chunk(b"JUNK", bytes(_DS64.size))
    else:
        start, data_field = b"RF64" + struct.pack("<I", _IN_DS64), _IN_DS64
        sizes = _chunk(b"ds64", _DS64.pack(riff_bytes, data_bytes, frames, 0))
    return start + b"WAVE" + sizes + format_ + b"data" + struct.pack("<I", data_field)


def _format_chunks(bits: Bits, rate_hz: int, channels: int, frames: int, frame_bytes: int) -> bytes:
    fields = channels, rate_hz, rate_hz * frame_bytes, frame_bytes, 8 * frame_bytes // channels
    if bits != "32_float":
        return _chunk(b"fmt ", struct.pack("<HHIIHH", 1, *fields))
    # all but PCM carry the length of an extension, here none, and the count of frames
    fact = struct.pack("<I", min(frames, _IN_DS64))
    return _chunk(b"fmt ", struct.pack("<HHIIHHH", 3, *fields, 0)) + _chunk(b"fact", fact)


def _chunk(name: bytes, content: bytes) -> bytes:
    return struct.pack("<4sI", name, len(content)) + content
