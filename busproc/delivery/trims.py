"""The one gain of a set of files: what holds the ceiling, and keeps whole numbers from passing full scale."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from busproc.delivery.orders import Delivery, Version
from busproc.delivery.prints import MIX
from busproc.delivery.shares import Piece
from busproc.delivery.sounds import Sounds, combined, spans
from busproc.errors import RenderError
from busproc.measure.highest import highest_peak
from busproc.scratch import Scratch

Audio = NDArray[np.float64]
Read = Callable[[int, int], Audio]

OVER_CEILING_DBTP = -0.1
"""True peak to which a set is turned down that would pass full scale and asks for a trim."""


@dataclass(frozen=True)
class Trim:
    """Gain of a set, its reason, and the true peaks that were measured before it, by piece."""

    gain_db: float = 0.0
    why: str = ""
    ceiling_dbtp: float | None = None
    true_peaks_dbtp: Mapping[str, float | None] = field(default_factory=dict)


def find_trim(
    sounds: Sounds,
    items: Mapping[int, Delivery],
    versions: Mapping[str, Version],
    ceiling_dbtp: float | None,
) -> Trim:
    """Find the gain of a set.

    Parameters
    ----------
    sounds
        At the rate of the set.
    items
        Deliveries in the set: they agree in bits, and in what to do when full scale is passed.
    versions
        Versions that it holds, by name.
    ceiling_dbtp
        True peak that the mix and its versions must not pass: that of the final limiter.

    Raises
    ------
    RenderError
        When a ceiling or full scale is passed, and the session refuses that.
    """
    numbers, delivery = set(items), next(iter(items.values()))
    of_versions = {n for n, item in items.items() if item.what == "versions"}
    held = {MIX: _of(sounds.mix), **dict(_versions(sounds, of_versions, versions.keys()))}
    peaks = {name: true_peak_dbtp(read, sounds.mix.frames) for name, read in held.items()}
    gain_db, why = 0.0, ""
    for name, peak in peaks.items():
        if ceiling_dbtp is None or peak is None or peak <= ceiling_dbtp:
            continue
        if name in versions and versions[name].if_over == "refuse":
            raise RenderError(
                f"version {name!r} peaks at {peak:.2f} dBTP, over the ceiling of {ceiling_dbtp:g} dBTP that "
                "the mix holds; nothing was written. Let it be trimmed with its set or limited again "
                '("if_over"), or decided by "itself".'
            )
        if ceiling_dbtp - peak < gain_db:
            whose = "" if name == MIX else f" in version {name!r}"
            gain_db, why = ceiling_dbtp - peak, f"to hold the ceiling of {ceiling_dbtp:g} dBTP{whose}"
    full = Trim(_rounded_down(gain_db), why, ceiling_dbtp, peaks)
    return (
        full if delivery.bits == "32_float" else _within_full_scale(sounds, delivery, numbers, versions, full)
    )


def _within_full_scale(
    sounds: Sounds, delivery: Delivery, numbers: set[int], versions: Collection[str], trim: Trim
) -> Trim:
    assert delivery.bits != "32_float"
    samples = _sample_peaks(sounds, numbers, versions)
    shares = any(each.plan.wholes.get(n) for each in sounds.carried for n in numbers)
    top = 1 - 2 / 2.0 ** (delivery.bits - 1) if shares else 1.0  # room for what is shared out
    name, highest, read = max(samples, key=lambda sample: sample[1])
    if highest * 10 ** (trim.gain_db / 20) <= top:
        return trim
    if delivery.if_over == "refuse":
        over_db = 20 * math.log10(highest) + trim.gain_db
        raise RenderError(
            f"{_told(name)} peaks at {over_db:+.2f} dBFS, over full scale, and would be clipped in "
            f"{delivery.bits} bits; nothing was written. Turn the mix down, end its chain with a limiter, or "
            'deliver with "if_over": "trim" or "bits": "32_float".'
        )
    peak = true_peak_dbtp(read, sounds.mix.frames) or 0.0
    gain_db = _rounded_down(min(trim.gain_db, OVER_CEILING_DBTP - peak))
    return Trim(
        gain_db,
        f"to {OVER_CEILING_DBTP:g} dBTP, because {_told(name)} passed full scale",
        trim.ceiling_dbtp,
        trim.true_peaks_dbtp,
    )


def _sample_peaks(
    sounds: Sounds, numbers: set[int], versions: Collection[str]
) -> Iterator[tuple[str, float, Read]]:
    """Sample peak of everything in a set: its name, the peak, the way to read it."""
    yield MIX, _sample_peak(sounds.mix), _of(sounds.mix)
    for name, sound in sounds.alone.items():
        if name in versions:
            yield name, _sample_peak(sound), _of(sound)
    for each in sounds.carried:
        pieces = list(_pieces(each.plan.wholes, each.plan.singles, numbers))
        peaks = [0.0] * len(pieces)
        for at, frames in spans(0, each.lanes.frames if pieces else 0, each.plan.lanes):
            mix, lanes = sounds.mix.read(at, frames), each.lanes.read(at, frames)
            for k, piece in enumerate(pieces):
                peaks[k] = max(peaks[k], float(np.abs(combined(mix, lanes, piece)).max()))
        for piece, peak in zip(pieces, peaks, strict=True):
            yield piece.name, peak, _piece_of(sounds.mix, each.lanes, piece)


def _pieces(
    wholes: Mapping[int, tuple[tuple[Piece, ...], ...]],
    singles: Mapping[int, tuple[Piece, ...]],
    numbers: set[int],
) -> Iterator[Piece]:
    for number in numbers:
        yield from (piece for whole in wholes.get(number, ()) for piece in whole if piece.name)
        yield from singles.get(number, ())


def _versions(sounds: Sounds, numbers: set[int], names: Collection[str]) -> Iterator[tuple[str, Read]]:
    """Versions in a set whose peaks are to be found, each with the way to read it."""
    for each in sounds.carried:
        for piece in _pieces(each.plan.wholes, each.plan.singles, numbers):
            yield piece.name, _piece_of(sounds.mix, each.lanes, piece)
    for name, sound in sounds.alone.items():
        if name in names and name not in sounds.limited:
            yield name, _of(sound)


def _of(sound: Scratch) -> Read:
    return sound.read


def _piece_of(mix: Scratch, lanes: Scratch, piece: Piece) -> Read:
    return lambda first, frames: combined(mix.read(first, frames), lanes.read(first, frames), piece)


def _sample_peak(sound: Scratch) -> float:
    return max((float(np.abs(block).max()) for _, block in sound.blocks()), default=0.0)


def true_peak_dbtp(read: Read, frames: int) -> float | None:
    """As high as any meter may read it; none for silence."""
    highest = highest_peak(read, frames)
    return 20 * math.log10(highest) if highest > 0 else None


def _told(name: str) -> str:
    return "the mix" if name == MIX else repr(name)


def _rounded_down(gain_db: float) -> float:
    """To 0.0001 dB, so that the gain in the log is the gain that was used."""
    return math.floor(gain_db * 1e4) / 1e4
