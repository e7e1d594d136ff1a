"""Four broad bands of a stereo stream, and their power and peak over time."""

from __future__ import annotations

from array import array
from typing import TYPE_CHECKING, Literal

import numpy as np
from scipy import signal

from busproc.kernels.biquad import run_sections
from busproc.measure.grid import Pieces

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Audio = NDArray[np.float64]

WHOLE = "whole"
NAMES = ("low", "low_mid", "mid", "high")
EDGES_HZ = (120.0, 1000.0, 6000.0)
"""Where the bands meet. Ours, not a standard's."""

_ORDER = 4
_HIGHEST_EDGE = 0.45


def names_at(rate_hz: int) -> tuple[str, ...]:
    """Return the bands whose lower edge lies under 0.45 of the rate; all four from 13.4 kHz up."""
    return NAMES[: 1 + sum(edge < _HIGHEST_EDGE * rate_hz for edge in EDGES_HZ)]


class BandCells:
    """Power and peak of a stream and of its bands in cells of equal length.

    The bands are cut by Butterworth filters of fourth order: 24 dB an octave, 3 dB down at an edge. The
    filters run on from block to block and the cells lie on the stream's own grid, so the sizes of the blocks
    do not matter. What is left at the end, up to a tenth of a second, is in no cell.

    Parameters
    ----------
    rate_hz
        Frames a second.
    per_tenth
        Cells in a tenth of a second. A cell is a whole number of frames, so it can be longer or shorter than
        that by half a frame.

    Attributes
    ----------
    names : tuple of str
        What the rows stand for: the whole sound, then its bands from the lowest up.
    cell_s : float
        Length of a cell.
    """

    def __init__(self, rate_hz: int, per_tenth: int = 1) -> None:
        self.names = (WHOLE, *names_at(rate_hz))
        frames = round(rate_hz / (10 * per_tenth))
        self.cell_s = frames / rate_hz
        self._per_piece = per_tenth
        self._pieces = Pieces(per_tenth * frames)
        self._filters = _filters(rate_hz, len(self.names) - 1)
        self._memory = [np.zeros((len(sections), 2, 2)) for sections in self._filters]
        self._powers, self._peaks = array("d"), array("d")

    def feed(self, block: Audio) -> None:
        """Take the next block, float64 of shape (frames, 2)."""
        for piece in self._pieces.of(block):
            parts = zip(self._filters, self._memory, strict=True)
            for sound in (piece, *(run_sections(*part, piece) for part in parts)):
                cells = sound.reshape(self._per_piece, -1)
                self._powers.frombytes(np.einsum("ij,ij->i", cells, cells).tobytes())
                self._peaks.frombytes(np.abs(cells).max(axis=1).tobytes())

    def powers(self) -> Audio:
        """Return the energy of each cell over its length: mean power of the channels, (rows, cells)."""
        samples_per_cell = 2 * self._pieces.frames // self._per_piece
        return self._rows(self._powers) / samples_per_cell

    def peaks(self) -> Audio:
        """Return the largest magnitude of each cell in either channel, (rows, cells)."""
        return self._rows(self._peaks)

    def _rows(self, values: array[float]) -> Audio:
        by_piece = np.array(values).reshape(-1, len(self.names), self._per_piece)
        return by_piece.transpose(1, 0, 2).reshape(len(self.names), -1)


def _filters(rate_hz: int, bands: int) -> list[Audio]:
    """Sections of each band (sections, 5), from the lowest up."""
    edges = EDGES_HZ[: bands - 1]
    low = [_sections(edge, "lowpass", rate_hz) for edge in edges]
    high = [_sections(edge, "highpass", rate_hz) for edge in edges]
    nothing = np.zeros((0, 5))
    return [np.concatenate(pair) for pair in zip([nothing, *high], [*low, nothing], strict=True)]


def _sections(edge_hz: float, kind: Literal["lowpass", "highpass"], rate_hz: int) -> Audio:
    made = signal.butter(_ORDER, edge_hz, kind, output="sos", fs=rate_hz)
    return np.delete(made, 3, axis=1)
