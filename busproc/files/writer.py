"""Writing audio files: WAV by our own hand, FLAC through the encoder, the same bytes for the same samples."""

from __future__ import annotations

from abc import ABC, abstractmethod
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal, TypeAlias

import numpy as np
import soundfile as sf
from numpy.typing import NDArray

from busproc.errors import InputError, RenderError
from busproc.files.bext import Broadcast
from busproc.files.cues import Cue, cue_chunks
from busproc.files.limits import first_outside
from busproc.files.sequential import SequentialFile
from busproc.files.wave import Bits, wave_header

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from types import TracebackType
    from typing import Self

Samples: TypeAlias = NDArray[np.int32] | NDArray[np.float64]

_DISK_FAULTS: Final = (OSError, sf.LibsndfileError)
_STORED: Final[dict[Bits, str]] = {16: "<i2", 32: "<i4", "32_float": "<f4"}
_LARGEST_FLOAT32: Final = float(np.finfo(np.float32).max)


def open_writer(
    path: str | Path,
    container: Literal["wav", "flac"],
    bits: Bits,
    rate_hz: int,
    channels: int,
    frames: int,
    broadcast: Broadcast | None = None,
    cues: Sequence[Cue] = (),
) -> AudioWriter:
    """Start an audio file whose length is known.

    Parameters
    ----------
    path
        Where to write; an existing file is replaced. `atomic_files` gives a safe place.
    container
        "wav" (becomes RF64 where it is longer than 4 GiB) or "flac".
    bits
        16, 24 or 32 for integers, "32_float" for floating point. FLAC takes 16 and 24.
    rate_hz, channels, frames
        What will be written.
    broadcast
        What a WAV file says in its bext chunk; none has no such chunk, and FLAC has none.
    cues
        Marks in a WAV file; FLAC has none.

    Raises
    ------
    InputError
        FLAC of 32 bits or floating point is asked for, or no frames at all, or a mark beyond 2^32 - 1 frames.
    RenderError
        The file cannot be made.

    Example
    -------
    >>> from tempfile import mkdtemp
    >>> path = Path(mkdtemp()) / "two.wav"
    >>> with open_writer(path, "wav", 24, 48000, 2, frames=2) as writer:
    ...     writer.write(np.array([[1, -1], [2, -2]], np.int32))
    >>> sf.read(path)[0] * 2**23
    array([[ 1., -1.],
           [ 2., -2.]])
    """
    path = Path(path)
    if frames < 1:
        raise InputError(f"{path}: there is no audio to write ({frames} frames)")
    if container == "wav":
        return _WaveWriter(path, bits, rate_hz, channels, frames, broadcast, cues)
    if bits not in {16, 24}:
        wanted = "floating point" if bits == "32_float" else f"{bits} bits"
        raise InputError(f"{path}: FLAC cannot hold {wanted} here: choose 16 or 24 bits, or WAV")
    return _FlacWriter(path, bits, rate_hz, channels, frames)


class AudioWriter(ABC):
    """An audio file written from front to end, inside a `with` statement.

    Leaving it checks that as many frames were written as announced.
    """

    def __init__(self, path: Path, bits: Bits, rate_hz: int, channels: int, frames: int) -> None:
        self._path = path
        self._bits = bits
        self._rate_hz = rate_hz
        self._channels = channels
        self._frames = frames
        self._written_frames = 0

    def __enter__(self) -> Self:
        with self._disk_faults():
            self._start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is not None:
            with suppress(*_DISK_FAULTS):  # the first fault is the one to hear of
                self._finish()
            return
        with self._disk_faults():
            self._finish()
        if self._written_frames != self._frames:
            raise RenderError(
                f"{self._path} got {self._written_frames} frames, not the {self._frames} announced"
            )

    def write(self, block: Samples) -> None:
        """Append a block.

        Parameters
        ----------
        block
            (frames, channels): int32 as `quantise` makes it, not shifted up, for integer files; float64,
            which is stored as float32, for floating point.

        Raises
        ------
        RenderError
            More frames than announced, a value the file cannot hold (NaN, infinity), or the disk refuses.
        TypeError
            Another type or number of channels than the file has.
        """
        self._refuse_other_shape(block)
        self._refuse_unfit(block)
        with self._disk_faults():
            self._put(block)
        self._written_frames += len(block)

    def _refuse_other_shape(self, block: Samples) -> None:
        dtype = np.dtype(np.float64 if self._bits == "32_float" else np.int32)
        if block.dtype != dtype or block.shape[1:] != (self._channels,):
            raise TypeError(
                f"{self._path} takes {dtype} of shape (frames, {self._channels}), "
                f"not {block.dtype} of shape {block.shape}"
            )
        if self._written_frames + len(block) > self._frames:
            raise RenderError(f"{self._path} would become longer than the {self._frames} frames announced")

    def _refuse_unfit(self, block: Samples) -> None:
        found = first_outside(block, *_range_of(self._bits))
        if found is None:
            return
        frame, channel = found
        time_s = (self._written_frames + frame) / self._rate_hz
        raise RenderError(
            f"{self._path} cannot hold the value {block[frame, channel]} "
            f"that came for channel {channel + 1} at {time_s:.3f} s"
        )

    @contextmanager
    def _disk_faults(self) -> Iterator[None]:
        try:
            yield
        except _DISK_FAULTS as error:
            raise RenderError(
                f"{self._path} could not be written ({error}): check the folder and the space on the disk"
            ) from error

    @abstractmethod
    def _start(self) -> None: ...

    @abstractmethod
    def _put(self, block: Samples) -> None: ...

    @abstractmethod
    def _finish(self) -> None: ...


class _WaveWriter(AudioWriter):
    def __init__(
        self,
        path: Path,
        bits: Bits,
        rate_hz: int,
        channels: int,
        frames: int,
        broadcast: Broadcast | None,
        cues: Sequence[Cue],
    ) -> None:
        super().__init__(path, bits, rate_hz, channels, frames)
        bext = broadcast.content() if broadcast else b""
        self._header = wave_header(bits, rate_hz, channels, frames, bext, cue_chunks(cues))

    def _start(self) -> None:
        self._file = self._path.open("wb")
        self._file.write(self._header)

    def _put(self, block: Samples) -> None:
        self._file.write(_pack(block, self._bits))

    def _finish(self) -> None:
        with self._file:
            self._file.write(bytes(self._file.tell() % 2))


class _FlacWriter(AudioWriter):
    def __init__(self, path: Path, bits: Literal[16, 24], rate_hz: int, channels: int, frames: int) -> None:
        super().__init__(path, bits, rate_hz, channels, frames)
        self._shift = 32 - bits  # the encoder takes integers at the top of 32 bits

    def _start(self) -> None:
        self._stream = SequentialFile(
            self._path, "w", self._rate_hz, self._channels, f"PCM_{self._bits}", format="FLAC"
        )

    def _put(self, block: Samples) -> None:
        self._stream.write(np.ascontiguousarray(block, np.int32) << self._shift)

    def _finish(self) -> None:
        self._stream.close()


def _range_of(bits: Bits) -> tuple[float, float]:
    if bits == "32_float":
        return -_LARGEST_FLOAT32, _LARGEST_FLOAT32
    return -(2 ** (bits - 1)), 2 ** (bits - 1) - 1


def _pack(block: Samples, bits: Bits) -> memoryview | bytes:
    if bits != 24:
        return block.astype(_STORED[bits]).tobytes()
    from busproc.kernels.pcm import pack_24  # loads the compiler: only when needed

    numbers = np.ascontiguousarray(block, np.int32).reshape(-1)
    packed = np.empty(3 * len(numbers), np.uint8)
    pack_24(numbers, packed)
    return packed.data
