"""What is written: sets of files that share one gain, whose whole numbers add up, read back and measured."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from busproc.delivery.labels import Labels
from busproc.delivery.orders import Delivery
from busproc.delivery.prints import MIX, Print
from busproc.delivery.shares import Piece
from busproc.delivery.sounds import Sounds, combined, spans
from busproc.delivery.trims import Trim
from busproc.errors import RenderError
from busproc.files import AudioReader, AudioWriter, open_writer, quantise, sha256_file
from busproc.files.bext import stamp_loudness
from busproc.files.flac_tags import write_flac_tags
from busproc.kernels.remainders import share_out
from busproc.measure.meter import Meter
from busproc.scratch import BLOCK_FRAMES

Audio = NDArray[np.float64]
Record = dict[str, Any]

STAMPED = (
    "integrated_lufs",
    "loudness_range_lu",
    "true_peak_dbtp",
    "momentary_max_lufs",
    "short_term_max_lufs",
)
"""What a WAV file says of its loudness, in the order of its bext chunk."""


@dataclass(frozen=True)
class Format:
    """What the files of a set have in common."""

    rate_hz: int
    delivery: Delivery
    gain_db: float

    @property
    def gain(self) -> float:
        """Linear."""
        return float(10 ** (self.gain_db / 20))

    @property
    def full_scale(self) -> float:
        """Steps of whole numbers up to full scale."""
        assert self.delivery.bits != "32_float"
        return 2.0 ** (self.delivery.bits - 1)

    @property
    def is_dithered(self) -> bool:
        """Whether whole numbers get dither."""
        return self.delivery.dither and self.delivery.bits in {16, 24}

    def whole(self, sound: Audio, at_frame: int, seed: int) -> NDArray[np.int32]:
        """A sound in whole numbers."""
        assert self.delivery.bits != "32_float"
        return quantise(sound, self.delivery.bits, at_frame, dither=self.is_dithered, seed=seed)


def write_set(
    sounds: Sounds,
    prints: Mapping[Print, Path],
    cut: tuple[int, int],
    trim: Trim,
    labels: Labels,
    tell: Callable[[float], None],
) -> Iterator[Record]:
    """Write the files of a set side by side, then read each back.

    Parameters
    ----------
    sounds
        At the rate of the set.
    prints
        Each file, and where to write it (a part file that is renamed later).
    cut
        First frame of every file, and the one after its last.
    trim
        Gain of all of them.
    labels
        What they say about themselves.
    tell
        Told how much is written, 0 to 1.

    Yields
    ------
    dict
        A file's record in the decision log.
    """
    first, last = cut
    if last <= first:
        raise RenderError(
            f"the passage is shorter than a frame at {sounds.rate_hz} Hz, or lies after the end"
        )
    form = Format(sounds.rate_hz, next(iter(prints)).delivery, trim.gain_db)
    with ExitStack() as stack:
        writers = {
            each.key: stack.enter_context(_writer(each, path, form, cut, labels))
            for each, path in prints.items()
        }
        lanes = max((each.plan.lanes for each in sounds.carried), default=1)
        for at, frames in spans(first, last, lanes):
            for key, block in _blocks(sounds, form, at, frames, prints):
                if key in writers:
                    writers[key].write(block)
            tell((at + frames - first) / (last - first))
    for each, path in prints.items():
        if each.delivery.container == "flac":
            write_flac_tags(path, labels.flac(each), "busproc")
        limited = each.delivery.what == "versions" and each.piece in sounds.limited
        again = {"limited_again": True} if limited else {}
        yield {**_record(each, path, last - first, form, trim), **again}


def _writer(wanted: Print, path: Path, form: Format, cut: tuple[int, int], labels: Labels) -> AudioWriter:
    delivery, (first, last) = wanted.delivery, cut
    said = labels.broadcast(wanted, form.rate_hz, first, is_dithered=form.is_dithered)
    return open_writer(path, delivery.container, delivery.bits, form.rate_hz, 2, last - first, said)


Block = tuple[tuple[int, str], NDArray[Any]]


def _blocks(sounds: Sounds, form: Format, at: int, frames: int, prints: Iterable[Print]) -> Iterator[Block]:
    """The next block of every file: the mix, pieces that add up to it, all others."""
    whats = {each.number: each.delivery.what for each in prints}
    mix = sounds.mix.read(at, frames) * form.gain
    stored = mix if form.delivery.bits == "32_float" else form.whole(mix, at, 0)
    yield from (((number, MIX), stored) for number, what in whats.items() if what == MIX)
    for each in sounds.carried:
        mine = [n for n in whats if each.plan.wholes.get(n) or each.plan.singles.get(n)]
        if not mine:
            continue
        lanes = each.lanes.read(at, frames) * form.gain
        for number in mine:
            for whole in each.plan.wholes.get(number, ()):
                shared = _whole(whole, mix, lanes, stored, form)
                yield from (((number, piece.name), part) for piece, part in zip(whole, shared, strict=True))
            for piece in each.plan.singles.get(number, ()):
                yield (number, piece.name), _alone(combined(mix, lanes, piece), piece.name, form, at)
    for number in [number for number, what in whats.items() if what == "versions"]:
        for name, sound in sounds.alone.items():
            yield (number, name), _alone(sound.read(at, frames) * form.gain, name, form, at)


def _whole(
    pieces: tuple[Piece, ...], mix: Audio, lanes: Audio, stored: NDArray[Any], form: Format
) -> list[NDArray[Any]]:
    """The next block of pieces that add up to the mix, as it is stored."""
    made = [combined(mix, lanes, piece) for piece in pieces]
    return [*made] if form.delivery.bits == "32_float" else [*_shared(made, stored, form)]


def _shared(pieces: list[Audio], mix: NDArray[Any], form: Format) -> list[NDArray[np.int32]]:
    """Pieces in whole numbers that add up to those of the mix."""
    addends = np.stack(pieces, axis=1) * form.full_scale
    shared = np.empty(addends.shape, np.int32)
    if share_out(addends, mix, shared):
        raise RenderError("the stems do not add up to the mix; please report this with the session")
    return [np.ascontiguousarray(shared[:, k]) for k in range(len(pieces))]


def _alone(sound: Audio, name: str, form: Format, at_frame: int) -> NDArray[Any]:
    return (
        sound if form.delivery.bits == "32_float" else form.whole(sound, at_frame, zlib.crc32(name.encode()))
    )


def _record(wanted: Print, path: Path, frames: int, form: Format, trim: Trim) -> Record:
    """Measure a file, let it say so itself, tell all of it."""
    delivery, measured = wanted.delivery, read_back(path)
    if delivery.container == "wav":
        stamp_loudness(path, *(measured[name] for name in STAMPED))
    return {
        "what": delivery.what,
        "piece": wanted.piece,
        "file": wanted.path.as_posix(),
        "sha256": sha256_file(path),
        "rate_hz": form.rate_hz,
        "bits": delivery.bits,
        "frames": frames,
        "dither": "triangular" if form.is_dithered else "none",
        "ceiling_dbtp": trim.ceiling_dbtp,
        "true_peak_before_trim_dbtp": _rounded(trim.true_peaks_dbtp.get(wanted.piece)),
        "trim_db": trim.gain_db,
        "trim_why": trim.why,
        "measured": measured,
    }


def read_back(path: Path) -> dict[str, Any]:
    """Measure a file as it stands on disk."""
    with AudioReader(path) as reader:
        meter = Meter(reader.info.rate_hz, reader.info.channels)
        while len(block := reader.read(BLOCK_FRAMES)):
            meter.feed(block)
    return meter.reading().as_dict()


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 2)
