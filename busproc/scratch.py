"""Long sounds on disk, in files without a name that no crash leaves behind."""

from __future__ import annotations

import tempfile
import weakref
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Self

import numpy as np
from numpy.typing import NDArray

from busproc.errors import RenderError

Audio = NDArray[np.float64]
BLOCK_FRAMES = 65536


class Scratch:
    """A growing float64 array `(frames, *shape)` in a temporary file.

    Parameters
    ----------
    shape
        Shape of one frame.
    folder
        Where the file lies; the system's temporary folder by default.
    saved
        A file that `save` has made, to be read instead.

    Raises
    ------
    RenderError
        When the disk is full.
    """

    def __init__(
        self, shape: tuple[int, ...] = (), folder: Path | None = None, *, saved: Path | None = None
    ) -> None:
        self._file: IO[bytes] = saved.open("rb") if saved else tempfile.TemporaryFile(dir=folder)  # noqa: SIM115 - closed with the object
        self._closed_with = weakref.finalize(self, self._file.close)
        self.shape, self.folder = shape, folder or Path(tempfile.gettempdir())
        self._bytes = 8 * int(np.prod(shape, dtype=int))
        self.frames = saved.stat().st_size // self._bytes if saved else 0

    def save(self, path: Path) -> None:
        """Put everything in a file of its own."""
        with path.open("wb") as file:
            for _, block in self.blocks():
                file.write(block.tobytes())

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def append(self, block: Audio) -> None:
        """Add frames at the end."""
        self.write(self.frames, block)

    def write(self, first: int, block: Audio) -> None:
        """Put frames in a place."""
        try:
            self._file.seek(first * self._bytes)
            self._file.write(np.ascontiguousarray(block).tobytes())
        except OSError as error:
            raise RenderError(f"{self.folder} cannot hold the sound: {error.strerror}") from None
        self.frames = max(self.frames, first + len(block))

    def read(self, first: int, frames: int) -> Audio:
        """Frames from anywhere; what lies outside is zero."""
        inside_first, inside_last = max(first, 0), min(first + frames, self.frames)
        block = np.zeros((frames, *self.shape))
        if inside_last > inside_first:
            self._file.seek(inside_first * self._bytes)
            data = self._file.read((inside_last - inside_first) * self._bytes)
            kept = np.frombuffer(data).reshape(-1, *self.shape)
            block[inside_first - first : inside_last - first] = kept
        return block

    def blocks(self) -> Iterator[tuple[int, Audio]]:
        """Everything from the start, each block with its first frame."""
        for first in range(0, self.frames, BLOCK_FRAMES):
            yield first, self.read(first, min(BLOCK_FRAMES, self.frames - first))
