"""What is written: from the rendered mix to a file that holds its ceiling, read back and measured."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np

from busproc.errors import RenderError
from busproc.files import AudioReader, open_writer, quantise, sha256_file
from busproc.kernels import limit, oversample
from busproc.measure.meter import Meter
from busproc.scratch import BLOCK_FRAMES, Scratch
from busproc.session import Delivery
from busproc.stages.base import Audio

PEAK_FACTOR = 8
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
    return "" if passage is None else "_from_{:g}s_to_{:g}s".format(*passage)


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
    peaks = find_peaks(_at_rate(spool, wanted))
    trim_db, why = _trim(peaks, wanted, ceiling_dbtp)
    first, last = wanted.cut(peaks.frames)
    if last <= first:
        raise RenderError(
            f"the passage starts after the end of the song ({peaks.frames / wanted.rate_hz:.1f} s)"
        )
    delivery = wanted.delivery
    with open_writer(path, delivery.container, delivery.bits, wanted.rate_hz, 2, last - first) as writer:
        for at, block in _numbered(_at_rate(spool, wanted)):
            inside = block[max(0, first - at) : max(0, last - at)] * 10 ** (trim_db / 20)
            if not len(inside):
                continue
            if delivery.bits == "32_float":
                writer.write(inside)
            else:
                writer.write(quantise(inside, delivery.bits, max(at, first), dither=_dithered(delivery)))
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


def find_peaks(blocks: Iterator[Audio]) -> Peaks:
    """Measure peaks on a finer grid than a meter's: 8 times the rate, each peak refined by a parabola."""
    up, memory = oversample.start_up(PEAK_FACTOR, 2), np.zeros((2, 2))
    frames, sample, between = 0, 0.0, 0.0
    drain = np.zeros((oversample.up_latency_frames(PEAK_FACTOR) + 1, 2))
    for block in chain(blocks, [drain]):
        fine = oversample.up(PEAK_FACTOR, up, block)
        between = max(between, limit.peak_in_cells(fine, PEAK_FACTOR, memory).max(initial=0.0))
        sample = max(sample, np.abs(block).max(initial=0.0))
        frames += len(block)
    highest = max(between, sample)
    dbtp = 20 * math.log10(highest) if highest > 0 else None
    return Peaks(frames - len(drain), float(sample), dbtp)


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


def _at_rate(spool: Scratch, wanted: Print) -> Iterator[Audio]:
    if wanted.rate_hz == wanted.session_rate_hz:
        yield from (block for _, block in spool.blocks())
        return
    import soxr

    convert = soxr.ResampleStream(wanted.session_rate_hz, wanted.rate_hz, 2, dtype="float64", quality="VHQ")
    for _, block in spool.blocks():
        yield convert.resample_chunk(block)
    yield convert.resample_chunk(np.zeros((0, 2)), last=True)


def _numbered(blocks: Iterator[Audio]) -> Iterator[tuple[int, Audio]]:
    at = 0
    for block in blocks:
        yield at, block
        at += len(block)


def _dithered(delivery: Delivery) -> bool:
    return delivery.dither and delivery.bits in {16, 24}


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 2)
