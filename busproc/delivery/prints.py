"""The files that a session asks for: which sound goes into each, its name, and which belong to one set."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path

from busproc.delivery.members import RESIDUAL, bundles, wanted_versions
from busproc.delivery.orders import Delivery
from busproc.routes import Buses
from busproc.session import Session

MIX = "mix"
Passage = tuple[float, float]


@dataclass(frozen=True, eq=False)
class Print:
    """A file to be written: the delivery that asks for it, whose sound it holds, and its path."""

    number: int
    delivery: Delivery
    piece: str
    path: Path

    @property
    def key(self) -> tuple[int, str]:
        """Delivery and piece: the same for no other file."""
        return self.number, self.piece


def plan_prints(
    session: Session, buses: Buses, rate_hz: int, numbers: Collection[int], passage: Passage | None = None
) -> list[Print]:
    """Every file of these deliveries, in the order of the session.

    Parameters
    ----------
    session, buses
        What is delivered.
    rate_hz
        Sample rate of the song.
    numbers
        Positions of the deliveries in the session.
    passage
        First and last second, where only that part is written.
    """
    return [
        Print(n, session.deliver[n], piece, _path(session, n, piece, place, rate_hz, passage))
        for n in numbers
        for place, piece in _numbered(list(_pieces(session, buses, session.deliver[n])))
    ]


def sets_of(prints: list[Print], rate_hz: int) -> dict[tuple[int, int | str], list[Print]]:
    """Files by rate and bits: those that share one gain."""
    sets: dict[tuple[int, int | str], list[Print]] = {}
    for each in prints:
        sets.setdefault((each.delivery.rate_of(rate_hz), each.delivery.bits), []).append(each)
    return sets


def part_name(passage: Passage | None) -> str:
    """What a passage adds to the names of files."""
    return "" if passage is None else "_from_{:.9g}s_to_{:.9g}s".format(*passage)


def cut(passage: Passage | None, rate_hz: int, frames: int) -> tuple[int, int]:
    """First frame of a file, and the one after its last, out of so many at its rate."""
    if passage is None:
        return 0, frames
    first, last = (round(second * rate_hz) for second in passage)
    return min(first, frames), min(last, frames)


def _pieces(session: Session, buses: Buses, delivery: Delivery) -> Iterator[str]:
    if delivery.what == "mix":
        yield MIX
    elif delivery.what == "stems":
        yield from bundles(delivery, buses)
        if delivery.residual:
            yield RESIDUAL
    else:
        yield from (version.name for version in wanted_versions(session, delivery))


def _numbered(pieces: list[str]) -> Iterator[tuple[str, str]]:
    """Pieces with numbers of equal length, so that they sort by name."""
    digits = max(2, len(str(len(pieces))))
    return ((f"{place:0{digits}d}", piece) for place, piece in enumerate(pieces, 1))


def _path(
    session: Session, number: int, piece: str, place: str, rate_hz: int, passage: Passage | None
) -> Path:
    delivery = session.deliver[number]
    name = delivery.file_name(session.song, piece, place, rate_hz, part_name(passage))
    return Path(delivery.folder, name)
