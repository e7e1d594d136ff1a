"""Stems as streams: from a file to blocks on the song's own time line."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Self

import numpy as np

from busproc.files import AudioInfo, AudioReader
from busproc.kernels import moves

if TYPE_CHECKING:
    from pathlib import Path
    from types import TracebackType

    from numpy.typing import NDArray

    from busproc.session import Stem

    Audio = NDArray[np.float64]

READ_FRAMES = 16384


@dataclass(frozen=True)
class StemFile:
    """A stem and the file behind it, placed in the song."""

    stem: Stem
    path: Path
    info: AudioInfo
    sha256: str
    rate_hz: int
    start_frame: int

    @property
    def frames(self) -> int:
        """Length on the song's time line, after any rate conversion."""
        return -(-self.info.frames * self.rate_hz // self.info.rate_hz)

    @property
    def end_frame(self) -> int:
        """First frame after its end."""
        return self.start_frame + self.frames


class StemSource:
    """Read a stem block by block: silence before its start and after its end, trim and fades applied.

    Parameters
    ----------
    file
        The stem and its file.

    Raises
    ------
    AudioFileError
        When the file breaks off or holds what is not a number.
    """

    def __init__(self, file: StemFile) -> None:
        self._file = file
        self._reader = AudioReader(file.path)
        self._ready = np.zeros((0, 2))
        self._at = 0
        self._convert: Any = None
        if file.info.rate_hz != file.rate_hz:
            import soxr

            self._convert = soxr.ResampleStream(
                file.info.rate_hz, file.rate_hz, file.info.channels, dtype="float64", quality="VHQ"
            )
        self._ended = False
        self._trim = 10 ** (file.stem.gain_db / 20) * (-1 if file.stem.polarity == "inverted" else 1)

    def __enter__(self) -> Self:
        self._reader.__enter__()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._reader.__exit__(kind, error, trace)

    def read(self, frames: int) -> Audio:
        """The next `frames` of the song: `(frames, 2)`."""
        block = np.zeros((frames, 2))
        first = max(self._at, self._file.start_frame)
        last = min(self._at + frames, self._file.end_frame)
        if last > first:
            sound = self._take(last - first)
            block[first - self._at : last - self._at] = sound * self._gain(first, len(sound))
        self._at += frames
        return block

    def _gain(self, first: int, frames: int) -> Audio | float:
        """Trim and fades."""
        stem, per_ms = self._file.stem, self._file.rate_hz / 1000
        if not (stem.fade_in_ms or stem.fade_out_ms):
            return self._trim
        fades = moves.fade_gain(
            first - self._file.start_frame,
            frames,
            self._file.frames,
            stem.fade_in_ms * per_ms,
            stem.fade_out_ms * per_ms,
        )
        return (self._trim * fades)[:, None]

    def _take(self, frames: int) -> Audio:
        while len(self._ready) < frames:
            self._ready = np.concatenate([self._ready, self._more()])
        taken, self._ready = self._ready[:frames], self._ready[frames:]
        return taken

    def _more(self) -> Audio:
        if self._ended:  # a converter may give a frame less than the ratio promises
            return np.zeros((READ_FRAMES, 2))
        sound = self._reader.read(READ_FRAMES)
        self._ended = len(sound) < READ_FRAMES
        if self._convert is not None:
            sound = self._convert.resample_chunk(sound, last=self._ended)
        return np.repeat(sound, 2, axis=1) if self._file.info.channels == 1 else sound
