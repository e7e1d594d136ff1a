"""Reading audio files: what they are, their samples, and every fault that the decoder would let pass."""

from __future__ import annotations

import errno
import math
import sys
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Final

import soundfile as sf

from busproc.errors import AudioFileError
from busproc.files.info import TAKEN, AudioInfo, refuse_incomplete, refuse_unusable
from busproc.files.limits import first_outside
from busproc.files.plain import PlainSamples, start_of_plain_samples
from busproc.files.sequential import SequentialFile
from busproc.files.wave import map_chunks

if TYPE_CHECKING:
    from io import FileIO
    from types import TracebackType
    from typing import Self

    import numpy as np
    from numpy.typing import NDArray

    from busproc.files.wave import ChunkMap

_LARGEST: Final = sys.float_info.max


def inspect(path: str | Path) -> AudioInfo:
    """Say what an audio file is, without decoding it.

    Raises
    ------
    AudioFileError
        As `AudioReader` raises it on opening.
    """
    with AudioReader(path) as reader:
        return reader.info


class AudioReader:
    """An audio file read from front to end.

    Parameters
    ----------
    path
        A WAV (also WAVEX, RF64), Wave64, AIFF, FLAC, OGG or MP3 file.

    Attributes
    ----------
    info
        What the file is.

    Raises
    ------
    AudioFileError
        The file is missing, not audio, empty, cut short, has more than two channels or a rate out of range.

    Example
    -------
    >>> import numpy as np, soundfile
    >>> from tempfile import mkdtemp
    >>> path = Path(mkdtemp()) / "tone.wav"
    >>> soundfile.write(path, np.full((5, 2), 0.25), 48000, "PCM_24")
    >>> with AudioReader(path) as reader:
    ...     print(reader.info.encoding, [len(reader.read(3)) for _ in range(3)])
    pcm_24 [3, 2, 0]
    """

    def __init__(self, path: str | Path) -> None:
        path = Path(path)
        with ExitStack() as opened:
            file = opened.enter_context(_open_file(path))
            chunk_map = map_chunks(file)
            self._stream = opened.enter_context(_open_stream(path, file, chunk_map))
            self.info = _describe(path, self._stream, chunk_map)
            refuse_unusable(self.info)
            refuse_incomplete(self.info, chunk_map)
            self._opened = opened.pop_all()
        start = start_of_plain_samples(self.info, chunk_map)
        self._plain = None if start is None else PlainSamples(file, self.info, start)
        self._position_frames = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file; nothing can be read after it."""
        self._opened.close()

    def read(self, frames: int) -> NDArray[np.float64]:
        """Read the next frames as float64, full scale 1.0.

        Parameters
        ----------
        frames
            How many, at most.

        Returns
        -------
        ndarray
            (n, channels), C-contiguous; n < frames only at the end of the file, 0 after it.

        Raises
        ------
        AudioFileError
            The file is damaged, ends early, or holds a NaN or an infinity.
        """
        wanted = min(frames, self.info.frames - self._position_frames)
        block = self._plain.read(wanted) if self._plain else self._decode(wanted)
        if len(block) < wanted:
            raise self._damaged_at(self._position_frames + len(block))
        self._refuse_not_finite(block)
        self._position_frames += wanted
        return block

    def _decode(self, frames: int) -> NDArray[np.float64]:
        try:
            block: NDArray[np.float64] = self._stream.read(frames, dtype="float64", always_2d=True)
        except sf.LibsndfileError as error:
            raise self._damaged_at(self._stream.tell()) from error
        return block

    def _damaged_at(self, frame: int) -> AudioFileError:
        info = self.info
        return AudioFileError(
            f"{info.path} is damaged or cut short: it can be read up to {info.place(frame)} "
            f"of {info.frames} ({info.frames / info.rate_hz:.3f} s); copy or export it again"
        )

    def _refuse_not_finite(self, block: NDArray[np.float64]) -> None:
        found = first_outside(block, -_LARGEST, _LARGEST)
        if found is None:
            return
        frame, channel = found
        what = "NaN (not a number)" if math.isnan(block[frame, channel]) else "an infinite value"
        raise AudioFileError(
            f"{self.info.path} holds {what} in channel {channel + 1} "
            f"at {self.info.place(self._position_frames + frame)}; export it again from its source"
        )


def _open_file(path: Path) -> FileIO:
    try:
        if path.is_dir():
            raise AudioFileError(f"{path} is a folder, not an audio file: name a file in it")
        if not path.exists():
            raise AudioFileError(f"{path} does not exist: check the name and the folder")
        if not path.is_file():
            raise AudioFileError(f"{path} is not a regular file: copy the audio into one")
        return path.open("rb", buffering=0)  # the decoder shares the position, which a buffer would hide
    except OSError as error:
        mend = "allow more (ulimit -n)" if error.errno == errno.EMFILE else "check its permissions"
        raise AudioFileError(f"{path} cannot be opened ({error.strerror}): {mend}") from error


def _open_stream(path: Path, file: FileIO, chunk_map: ChunkMap) -> SequentialFile:
    try:
        return SequentialFile(file.fileno(), closefd=False)
    except sf.LibsndfileError as error:
        raise AudioFileError(_why_not_audio(path, file, chunk_map, error.error_string)) from error


def _why_not_audio(path: Path, file: FileIO, chunk_map: ChunkMap, detail: str) -> str:
    file.seek(0)
    head = file.read(1024)
    if not head:
        return f"{path} is empty (0 bytes): copy or export it again"
    if chunk_map.chunks or head.startswith((b"fLaC", b"OggS")):
        return f"{path} starts like an audio file but cannot be read ({detail}): export it again; {TAKEN}"
    if _is_text(head):
        return f"{path} is text, not audio: {TAKEN}"
    return f"{path} is not audio that can be read: {TAKEN}"


def _is_text(head: bytes) -> bool:
    return all(byte in b"\t\n\r" or byte >= ord(" ") for byte in head)


def _describe(path: Path, stream: SequentialFile, chunk_map: ChunkMap) -> AudioInfo:
    return AudioInfo(
        path=path,
        rate_hz=stream.samplerate,
        channels=stream.channels,
        frames=stream.frames,
        container=stream.format.lower(),
        encoding=stream.subtype.lower(),
        time_reference_frames=chunk_map.time_reference_frames,
    )
