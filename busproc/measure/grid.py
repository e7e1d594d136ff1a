"""A stream cut into pieces of one length, wherever its blocks end."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray


class Pieces:
    """Pieces that lie on the stream's own grid, so that the sizes of the blocks do not matter.

    Parameters
    ----------
    frames
        Length of a piece.
    columns
        What a frame holds.
    shared
        Frames that a piece has in common with the one before it.
    """

    def __init__(self, frames: int, columns: int = 2, shared: int = 0) -> None:
        self.frames = frames
        self._waiting = np.zeros((frames, columns))
        self._shared = shared
        self._filled = 0

    def of(self, block: NDArray[np.float64]) -> Iterator[NDArray[np.float64]]:
        """Take the next block (frames, columns); give each piece that it completes, good until the next."""
        size = self.frames
        while len(block):
            room = block[: size - self._filled]
            self._waiting[self._filled : self._filled + len(room)] = room
            self._filled += len(room)
            block = block[len(room) :]
            if self._filled == size:
                yield self._waiting
                self._filled = self._shared
                self._waiting[: self._shared] = self._waiting[size - self._shared :]
