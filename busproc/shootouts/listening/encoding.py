"""A sound as a script that a page opened from disk may load, and what is drawn of it."""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import soundfile as sf

from busproc.files import quantise
from busproc.shootouts.listening.model import Heard
from busproc.stages.observe import NOMINAL_HZ

if TYPE_CHECKING:
    from numpy.typing import NDArray

COLUMNS = 600
FULL = 1000


@dataclass(frozen=True)
class Picture:
    """What is drawn of a sound, rounded: peaks in thousandths of full scale, the others in dB."""

    frames: int
    highest: tuple[int, ...]
    lowest: tuple[int, ...]
    reduction_db: tuple[float, ...] | None
    bands_db: tuple[float | None, ...]

    def as_document(self) -> dict[str, Any]:
        """What the page's script reads."""
        return {
            "highest": self.highest,
            "lowest": self.lowest,
            "reduction_db": self.reduction_db,
            "bands_db": self.bands_db,
        }


def as_script(name: str, sound: NDArray[np.float64], rate_hz: int) -> bytes:
    """A call of AUDIO with the sound as FLAC of 24 bits, in base64.

    Each sample is rounded to the nearest of the 24-bit steps, halves to even, without dither: nothing is
    added, so two equal sounds stay equal.

    Raises
    ------
    RenderError
        A sample is over full scale, or is not a finite number.
    """
    file = io.BytesIO()
    sf.write(file, quantise(sound, 24, 0, dither=False) << 8, rate_hz, format="FLAC", subtype="PCM_24")
    return b'AUDIO("%s","%s");\n' % (name.encode(), base64.b64encode(file.getbuffer()))


def picture(heard: Heard) -> Picture:
    """Find what is drawn: the peaks of both sides together in up to 600 columns, and what is known."""
    frames = len(heard.sound)
    starts = np.arange(min(COLUMNS, frames)) * frames // min(COLUMNS, frames)
    reduction = heard.reduction_db
    return Picture(
        frames=frames,
        highest=_thousandths(np.maximum.reduceat(heard.sound, starts, axis=0).max(axis=1)),
        lowest=_thousandths(np.minimum.reduceat(heard.sound, starts, axis=0).min(axis=1)),
        reduction_db=None if reduction is None else tuple(_rounded(value) for value in reduction),
        bands_db=tuple(
            None if (level := heard.third_octaves_db.get(hz)) is None else _rounded(level)
            for hz in NOMINAL_HZ
        ),
    )


def _thousandths(peaks: NDArray[np.float64]) -> tuple[int, ...]:
    return tuple(int(each) for each in np.rint(peaks * FULL))


def _rounded(value: float) -> float:
    return round(float(value), 2) + 0.0  # no minus zero
