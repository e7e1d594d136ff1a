"""Sets of files, one after the other: at their rate, at one gain, versions limited again where asked."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import Any

from busproc.delivery.labels import Labels
from busproc.delivery.limited import limited
from busproc.delivery.members import wanted_versions
from busproc.delivery.orders import Version
from busproc.delivery.prints import Passage, Print, cut, sets_of
from busproc.delivery.sounds import Sounds, combined, spans
from busproc.delivery.trims import find_trim, true_peak_dbtp
from busproc.delivery.writing import write_set
from busproc.making import Made
from busproc.progress import Progress
from busproc.scratch import Scratch
from busproc.song import Song
from busproc.stages.limiter import Limiter

Record = dict[str, Any]

HAIR_DB = 1e-6
"""More than rounding moves a measured peak."""


def write_sets(
    song: Song, made: Made, parts: Mapping[Print, Path], passage: Passage | None, progress: Progress
) -> list[Record]:
    """Write all files.

    Parameters
    ----------
    song, made
        What was rendered.
    parts
        Each file, and where to write it.
    passage
        First and last second, where only that part is written.
    progress
        Called for each set.

    Returns
    -------
    list of dict
        A record for each file, in the order of `parts`.
    """
    records: dict[Print, Record] = {}
    labels = Labels.of(song)
    for (rate_hz, bits), prints in sets_of(list(parts), song.rate_hz).items():
        several = f"{len(prints)} files at {rate_hz} Hz, {bits} bits"
        tell = partial(progress, f"writing {several if len(prints) > 1 else prints[0].path.name}")
        tell(0.0)
        items = {each.number: each.delivery for each in prints}
        versions = {v.name: v for item in items.values() for v in wanted_versions(song.session, item)}
        sounds = _ready(made, rate_hz, versions)
        ceiling = made.limiter.ceiling_dbtp if made.limiter else None
        trim = find_trim(sounds, items, versions, ceiling)
        here = {each: parts[each] for each in prints}
        span = cut(passage, rate_hz, sounds.mix.frames)
        records |= dict(zip(prints, write_set(sounds, here, span, trim, labels, tell), strict=True))
    return [records[each] for each in parts]


def _ready(made: Made, rate_hz: int, versions: Mapping[str, Version]) -> Sounds:
    """All sounds at a set's rate, with versions limited again that ask for it and are over the ceiling."""
    sounds = made.sounds.at_rate(rate_hz)
    if made.limiter is None:
        return sounds
    asking = [v.name for v in versions.values() if v.decided_by == "mix" and v.if_over == "limit"]
    again = {name: _limited_again(sounds, name, made.limiter) for name in asking}
    return sounds.with_limited({name: sound for name, sound in again.items() if sound is not None})


def _limited_again(sounds: Sounds, name: str, limiter: Limiter) -> Scratch | None:
    """A version, held under the ceiling by a limiter of its own; none where it is under it already."""
    sound = Scratch((2,), sounds.mix.folder)
    carried = next(each for each in sounds.carried if name in each.plan.versions)
    for at, frames in spans(0, carried.lanes.frames, carried.plan.lanes):
        mix, lanes = sounds.mix.read(at, frames), carried.lanes.read(at, frames)
        sound.append(combined(mix, lanes, carried.plan.versions[name]))
    peak = true_peak_dbtp(sound.read, sound.frames)
    if peak is None or peak <= limiter.ceiling_dbtp:
        return None
    return _turned_down(limited(sound, limiter, sounds.rate_hz), limiter.ceiling_dbtp)


def _turned_down(sound: Scratch, ceiling_dbtp: float) -> Scratch:
    """A sound that a hair's breadth may be over its ceiling, so that it does not turn its whole set down."""
    peak = true_peak_dbtp(sound.read, sound.frames)
    if peak is not None and peak > ceiling_dbtp:
        for at, block in sound.blocks():
            sound.write(at, block * 10 ** ((ceiling_dbtp - peak - HAIR_DB) / 20))
    return sound
