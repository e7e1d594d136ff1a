"""What is written: from the rendered mix to a file that holds its ceiling, read back and measured."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from busproc.errors import RenderError
from busproc.files import AudioReader, open_writer, quantise, sha256_file
from busproc.measure.highest import highest_peak
from busproc.measure.meter import Meter
from busproc.scratch import BLOCK_FRAMES, Scratch
from busproc.session import Delivery

OVER_CEILING_DBTP = -0.1
"""True peak to which a delivery is turned down that would pass full scale and asks for a trim."""


@dataclass(frozen=True)
class Print:
    """A file to be written: its delivery, its rate, and the part of the song that goes into it."""

    delivery: Delivery
    song: str
    session_rate_hz: int
    passage: tuple[float, float] | None = None

    @property
    def rate_hz(self) -> int:
        """Sample rate of the file."""
        return self.delivery.rate_of(self.session_rate_hz)

    @property
    def file_name(self) -> str:
        """Name of the file."""
        return self.delivery.file_name(self.song, self.session_rate_hz, part_name(self.passage))

    def cut(self, frames: int) -> tuple[int, int]:
        """First frame of the file, and the one after its last, out of so many at its rate."""
        if self.passage is None:
            return 0, frames
        first, last = (round(second * self.rate_hz) for second in self.passage)
        return min(first, frames), min(last, frames)


def part_name(passage: tuple[float, float] | None) -> str:
    """What a passage adds to the names of files."""
    return "" if passage is None else "_from_{:.9g}s_to_{:.9g}s".format(*passage)


def write_print(spool: Scratch, wanted: Print, path: Path, ceiling_dbtp: float | None) -> dict[str, Any]:
    """Convert, measure, trim where needed, quantise, write, read back.

    Parameters
    ----------
    spool
        The whole mix.
    wanted
        What to write.
    path
        Where to (a part file that is renamed later).
    ceiling_dbtp
        True peak that the file must not pass: that of the final limiter; none without one.

    Returns
    -------
    dict
        The delivery's record in the decision log.

    Raises
    ------
    RenderError
        When the mix would pass full scale in whole numbers and the delivery refuses that.
    """
    sound = _at_rate(spool, wanted)
    peaks = find_peaks(sound)
    trim_db, why = _trim(peaks, wanted, ceiling_dbtp)
    first, last = wanted.cut(peaks.frames)
    if last <= first:
        raise RenderError(
            f"the passage is shorter than a frame at {wanted.rate_hz} Hz, or lies after the end"
        )
    delivery = wanted.delivery
    with open_writer(path, delivery.container, delivery.bits, wanted.rate_hz, 2, last - first) as writer:
        for at in range(first, last, BLOCK_FRAMES):
            block = sound.read(at, min(BLOCK_FRAMES, last - at)) * 10 ** (trim_db / 20)
            if delivery.bits == "32_float":
                writer.write(block)
            else:
                writer.write(quantise(block, delivery.bits, at, dither=_dithered(delivery)))
    return {
        "what": delivery.what,
        "file": wanted.file_name,
        "sha256": sha256_file(path),
        "rate_hz": wanted.rate_hz,
        "bits": delivery.bits,
        "frames": last - first,
        "dither": "triangular" if _dithered(delivery) else "none",
        "ceiling_dbtp": ceiling_dbtp,
        "true_peak_before_trim_dbtp": _rounded(peaks.true_peak_dbtp),
        "trim_db": trim_db,
        "trim_why": why,
        "measured": read_back(path),
    }


def read_back(path: Path) -> dict[str, Any]:
    """Measure a file as it stands on disk."""
    with AudioReader(path) as reader:
        meter = Meter(reader.info.rate_hz, reader.info.channels)
        while len(block := reader.read(BLOCK_FRAMES)):
            meter.feed(block)
    return meter.reading().as_dict()


@dataclass(frozen=True)
class Peaks:
    """Length of a file, its sample peak, and its true peak in dBTP (none for silence)."""

    frames: int
    sample: float
    true_peak_dbtp: float | None


def find_peaks(sound: Scratch) -> Peaks:
    """Measure peaks as high as any meter may read them."""
    sample = max((float(np.abs(block).max()) for _, block in sound.blocks()), default=0.0)
    highest = max(highest_peak(sound.read, sound.frames), sample)
    return Peaks(sound.frames, sample, 20 * math.log10(highest) if highest > 0 else None)


def _trim(peaks: Peaks, wanted: Print, ceiling_dbtp: float | None) -> tuple[float, str]:
    peak = peaks.true_peak_dbtp
    if peak is None:
        return 0.0, ""
    if ceiling_dbtp is not None and peak > ceiling_dbtp:
        return _rounded_down(ceiling_dbtp - peak), f"to hold the ceiling of {ceiling_dbtp:g} dBTP"
    if wanted.delivery.bits == "32_float" or peaks.sample <= 1:
        return 0.0, ""
    if wanted.delivery.if_over == "trim":
        return _rounded_down(
            OVER_CEILING_DBTP - peak
        ), f"to {OVER_CEILING_DBTP:g} dBTP, because it passed full scale"
    raise RenderError(
        f"{wanted.file_name}: the mix peaks at {20 * math.log10(peaks.sample):+.2f} dBFS, over full scale, "
        f"and would be clipped in {wanted.delivery.bits} bits; nothing was written. Turn the mix down, end "
        f'its chain with a limiter, or deliver with "if_over": "trim" or "bits": "32_float".'
    )


def _rounded_down(gain_db: float) -> float:
    """To 0.0001 dB, so that the gain in the log is the gain that was used."""
    return math.floor(gain_db * 1e4) / 1e4


def _at_rate(spool: Scratch, wanted: Print) -> Scratch:
    """The mix at the file's rate."""
    if wanted.rate_hz == wanted.session_rate_hz:
        return spool
    import soxr

    convert = soxr.ResampleStream(wanted.session_rate_hz, wanted.rate_hz, 2, dtype="float64", quality="VHQ")
    sound = Scratch((2,), spool.folder)
    for _, block in spool.blocks():
        sound.append(convert.resample_chunk(block))
    sound.append(convert.resample_chunk(np.zeros((0, 2)), last=True))
    return sound


def _dithered(delivery: Delivery) -> bool:
    return delivery.dither and delivery.bits in {16, 24}


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 2)
