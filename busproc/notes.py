"""What is to be known of a session that is in order: what was converted, padded, or is not heard."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from busproc.routes import Bus
    from busproc.sources import StemFile


def notes_on(buses: Mapping[str, Bus], files: Mapping[str, StemFile]) -> tuple[str, ...]:
    """Sentences for the log on stems and buses."""
    notes = []
    end = max(file.end_frame for file in files.values())
    for name, file in files.items():
        if file.info.rate_hz != file.rate_hz:
            notes.append(f"{name}: converted from {file.info.rate_hz} to {file.rate_hz} Hz.")
        if file.played and file.played.hits_of not in {"", file.path.name}:
            hits, other = file.played.inputs[0][0], file.played.hits_of
            notes.append(f"{name}: {hits} says that it holds the hits of {other}, not of {file.path.name}.")
        if file.start_frame:
            why = "as asked" if file.stem.start_s is not None else "by its time reference"
            notes.append(f"{name}: starts at {file.start_frame / file.rate_hz:.3f} s, {why}.")
        if file.end_frame < end:
            short = (end - file.end_frame) / file.rate_hz
            notes.append(f"{name}: padded with {short:.3f} s of silence to the length of the song.")
    notes += [f"{bus.name}: muted, so it is silent everywhere." for bus in buses.values() if bus.is_muted]
    listened = {key.source for bus in buses.values() for _, key in bus.chain.key_inputs()}
    notes += [
        f"{bus.name}: only keys, but no stage listens to it."
        for bus in buses.values()
        if bus.only_keys and bus.name not in listened
    ]
    return tuple(notes)
