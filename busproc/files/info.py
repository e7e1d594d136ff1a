"""What an audio file is, and whether it can be taken as it stands."""

from __future__ import annotations

from dataclasses import dataclass
from io import SEEK_END
from typing import TYPE_CHECKING, Final

from busproc.errors import AudioFileError

if TYPE_CHECKING:
    from pathlib import Path

    from busproc.files.wave import ChunkMap

MIN_RATE_HZ: Final = 8_000
MAX_RATE_HZ: Final = 384_000
TAKEN: Final = "busproc reads WAV, RF64, Wave64, AIFF, FLAC, OGG and MP3"

_SAMPLE_BYTES: Final = {
    "pcm_s8": 1,
    "pcm_u8": 1,
    "ulaw": 1,
    "alaw": 1,
    "pcm_16": 2,
    "pcm_24": 3,
    "pcm_32": 4,
    "float": 4,
    "double": 8,
}
_CHUNKED: Final = frozenset({"wav", "wavex", "rf64", "w64", "aiff"})
_STREAMED: Final = frozenset({"flac", "ogg", "mp3"})
_AIFF_SOUND_HEADER_BYTES: Final = 8  # offset and block size, inside SSND before the samples
_LONGEST_RIFF_FILE: Final = 8 + 0xFFFF_FFFF
_NO_LENGTH: Final = 2**63 - 1  # frames as libsndfile puts them when a file does not say
_OGG_HEADER_BYTES: Final = 27  # before the table of segment lengths
_LONGEST_OGG_PAGE: Final = 27 + 255 + 255 * 255
_OGG_LAST_PAGE_FLAG: Final = 0x04


@dataclass(frozen=True, slots=True)
class AudioInfo:
    """What an audio file says of itself.

    Attributes
    ----------
    path
        As it was given.
    rate_hz
        8000 to 384000.
    channels
        1 or 2.
    frames
        At least 1.
    container
        "wav", "wavex", "rf64", "w64", "aiff", "flac", "ogg" or "mp3".
    encoding
        "pcm_16", "pcm_24", "float", "vorbis" ..
    time_reference_frames
        Start of the file on the session's clock, counted from midnight, if a Broadcast Wave file says so.
    """

    path: Path
    rate_hz: int
    channels: int
    frames: int
    container: str
    encoding: str
    time_reference_frames: int | None

    def place(self, frame: int) -> str:
        """Put a position into words: frame and time."""
        return f"frame {frame} ({frame / self.rate_hz:.3f} s)"


def refuse_unusable(info: AudioInfo) -> None:
    """Refuse what busproc has no place for: more than two channels, odd rates, other kinds of file.

    Raises
    ------
    AudioFileError
        Names the fault and how to mend it.
    """
    if info.channels > 2:
        raise AudioFileError(f"{info.path} has {info.channels} channels; busproc takes one or two: split it")
    if not MIN_RATE_HZ <= info.rate_hz <= MAX_RATE_HZ:
        raise AudioFileError(
            f"{info.path} has a rate of {info.rate_hz} Hz; "
            f"busproc takes {MIN_RATE_HZ} to {MAX_RATE_HZ} Hz: convert it"
        )
    if info.container not in _CHUNKED | _STREAMED:
        raise AudioFileError(f"{info.path} is of kind {info.container.upper()}; {TAKEN}: convert it")
    if info.container in _CHUNKED and info.encoding not in _SAMPLE_BYTES:
        raise AudioFileError(
            f"{info.path} holds samples coded as {info.encoding.upper()}; "
            "busproc takes PCM and floating point in such files: convert it"
        )


def refuse_incomplete(info: AudioInfo, chunk_map: ChunkMap) -> None:
    """Refuse a file that holds less audio than it should, which the decoder takes without a word.

    Raises
    ------
    AudioFileError
        Says how much is missing, where that can be known.
    """
    if info.container in _CHUNKED:
        _refuse_wrong_sizes(info, chunk_map)
    if info.container == "ogg" and not _ends_with_whole_ogg_page(info.path):
        raise AudioFileError(
            f"{info.path} is cut short: its last page is missing or not whole; copy or export it again"
        )
    if info.frames == _NO_LENGTH:
        raise AudioFileError(
            f"{info.path} does not say how long it is: encode it again to a file, not a pipe"
        )
    if info.frames == 0:
        raise AudioFileError(f"{info.path} holds no audio (0 frames): export it again")


def _refuse_wrong_sizes(info: AudioInfo, chunk_map: ChunkMap) -> None:
    if chunk_map.kind == "RIFF" and chunk_map.file_bytes > _LONGEST_RIFF_FILE:
        raise AudioFileError(
            f"{info.path} is longer than the 4 GiB that a WAV header can count: "
            "export it again as RF64 or FLAC"
        )
    audio = chunk_map.audio
    if audio is None:
        return
    inner_header_bytes = _AIFF_SOUND_HEADER_BYTES if audio.name == "SSND" else 0
    frame_bytes = info.channels * _SAMPLE_BYTES[info.encoding]
    promised = max(audio.size - inner_header_bytes, 0) // frame_bytes
    present = max(chunk_map.file_bytes - audio.start - inner_header_bytes, 0) // frame_bytes
    if promised == 0 and present > 0 and audio is chunk_map.chunks[-1]:
        raise AudioFileError(
            f"{info.path} says that it holds no audio, but {present} frames ({present / info.rate_hz:.3f} s) "
            "follow: the recorder did not finish it; repair its header in an audio editor"
        )
    missing = promised - present
    if missing > 0:
        raise AudioFileError(
            f"{info.path} is cut short: {missing} frames ({missing / info.rate_hz:.3f} s) are missing of the "
            f"{promised} ({promised / info.rate_hz:.3f} s) its header promises; copy or export it again "
            "(a file that came through a pipe never knew its length: convert it once more)"
        )


def _ends_with_whole_ogg_page(path: Path) -> bool:
    """Whether the last page is marked as such and all there: RFC 3533, section 6."""
    with path.open("rb") as file:
        file.seek(max(file.seek(0, SEEK_END) - _LONGEST_OGG_PAGE, 0))
        tail = file.read()
    start = tail.rfind(b"OggS")
    page = tail[start:]
    if start < 0 or len(page) < _OGG_HEADER_BYTES:
        return False
    flags, segments = page[5], page[26]
    page_bytes = _OGG_HEADER_BYTES + segments + sum(page[_OGG_HEADER_BYTES:][:segments])
    return bool(flags & _OGG_LAST_PAGE_FLAG) and len(page) >= page_bytes
