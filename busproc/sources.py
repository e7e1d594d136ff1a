"""Stems as streams: from a file to blocks on the song's own time line."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Self

import numpy as np

from busproc.files import AudioInfo, AudioReader
from busproc.hits.playing import Played, PlayedReader
from busproc.kernels import biquad, fraction, moves
from busproc.measure.alignment_rotation import AllPass

if TYPE_CHECKING:
    from pathlib import Path
    from types import TracebackType

    from numpy.typing import NDArray

    from busproc.session import Stem

    Audio = NDArray[np.float64]

READ_FRAMES = 16384


@dataclass(frozen=True)
class StemFile:
    """A stem and the file behind it, placed in the song.

    Raises
    ------
    InputError
        When the song's rate cannot carry an all-pass of its alignment.
    """

    stem: Stem
    path: Path
    info: AudioInfo
    sha256: str
    rate_hz: int
    start_frame: int
    """Where it starts before it is aligned."""
    played: Played | None = None
    """What is heard in place of the file, at its hits; `info` is then of that."""

    def reader(self) -> AudioReader | PlayedReader:
        """What is heard, at its own rate, opened."""
        return AudioReader(self.path) if self.played is None else PlayedReader(self.played, self.info)

    @property
    def inputs(self) -> tuple[tuple[str, Path, str], ...]:
        """Every file it is made of: what the session calls it, path, checksum."""
        return ((self.stem.file, self.path, self.sha256), *(self.played.inputs if self.played else ()))

    @property
    def frames(self) -> int:
        """Length on the song's time line, after any rate conversion."""
        return -(-self.info.frames * self.rate_hz // self.info.rate_hz)

    @property
    def delay_frames(self) -> float:
        """What its alignment moves it by, negative earlier; rounded, so that whole frames are whole."""
        return round(self.stem.align.delay_ms * self.rate_hz / 1000, 3)

    @property
    def cut_frames(self) -> int:
        """How many of its first frames its alignment moves before the start of the song."""
        return min(self.frames, max(0, -math.floor(self.start_frame + self.delay_frames)))

    @property
    def end_frame(self) -> int:
        """First frame after its end; an alignment can put that off, but makes no song shorter."""
        return self.start_frame + self.frames + max(0, math.ceil(self.delay_frames))


class StemSource:
    """Read a stem block by block: silence before its start and after its end, trimmed, faded and aligned.

    What the filters of its alignment ring on after its end is heard as long as the song goes on.

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
        self._reader = file.reader()
        self._ready = np.zeros((0, 2))
        self._at = self._heard = 0
        self._convert: Any = None
        if file.info.rate_hz != file.rate_hz:
            import soxr

            self._convert = soxr.ResampleStream(
                file.info.rate_hz, file.rate_hz, file.info.channels, dtype="float64", quality="VHQ"
            )
        self._ended = False
        self._trim = 10 ** (file.stem.gain_db / 20) * (-1 if file.stem.polarity == "inverted" else 1)
        whole, part = fraction.parted(file.delay_frames)
        self._begins = file.start_frame + whole - (fraction.LATENCY_FRAMES if part else 0)
        self._taps, self._held = fraction.taps_of(part), fraction.start(2)
        self._all_passes = _sections(file)
        self._turned = np.zeros((len(self._all_passes), 2, 2))

    def __enter__(self) -> Self:
        self._reader.__enter__()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._reader.__exit__(kind, error, trace)

    def read(self, frames: int) -> Audio:
        """The next `frames` of the song: `(frames, 2)`."""
        self._at += frames
        sound = self._aligned(max(0, self._at - self._begins) - self._heard)
        block = np.zeros((frames, 2))
        kept = min(frames, len(sound))  # more comes where the file begins before the song
        block[frames - kept :] = sound[len(sound) - kept :]
        return block

    def _aligned(self, frames: int) -> Audio:
        """The next frames from where the file begins, `LATENCY_FRAMES` late where parts of a frame count."""
        sound = self._sound(frames)
        if len(self._all_passes):
            sound = biquad.run_sections(self._all_passes, self._turned, sound)
        return fraction.hold_back(self._taps, self._held, sound) if len(self._taps) > 1 else sound

    def _sound(self, frames: int) -> Audio:
        """The next frames of the file, trimmed and faded, and silence after its end."""
        sound = np.zeros((frames, 2))
        left = min(frames, self._file.frames - self._heard)
        if left > 0:
            sound[:left] = self._take(left) * self._gain(left)
        self._heard += frames
        return sound

    def _gain(self, frames: int) -> Audio | float:
        """Trim and fades."""
        stem, per_ms = self._file.stem, self._file.rate_hz / 1000
        if not (stem.fade_in_ms or stem.fade_out_ms):
            return self._trim
        fades = moves.fade_gain(
            self._heard,
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


def _sections(file: StemFile) -> Audio:
    """All-passes of its alignment, `(sections, 5)`."""
    rows = [AllPass(one.freq_hz, one.q).section(file.rate_hz) for one in file.stem.align.rotate]
    return np.array(rows).reshape(-1, 5)
