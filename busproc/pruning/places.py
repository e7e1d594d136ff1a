"""Stages by where they stand in a song, and the song without some of them."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

from busproc.chain import Chain
from busproc.routes import MIX_BUS

if TYPE_CHECKING:
    from busproc.routes import Bus
    from busproc.session import Session
    from busproc.song import Song
    from busproc.stages.base import Stage


class Place(NamedTuple):
    """A stage of a chain: name of its bus, and how many stages stand before it."""

    bus: str
    number: int

    def stage(self, song: Song) -> Stage:
        """The stage that stands there."""
        return song.buses[self.bus].chain.stages[self.number]


def places_of(song: Song) -> list[Place]:
    """The stages of a song that can be judged by its mix: those of the mix bus first.

    Inside composites nothing is taken out. What a muted stem passes is left alone, and so is all before the
    mix bus that a stem of versions passes, which the mix does not tell of.
    """
    others = [bus for bus in song.buses.values() if bus.name not in {MIX_BUS, *_of_versions(song)}]
    return [
        Place(bus.name, number)
        for bus in (song.buses[MIX_BUS], *others)
        if not bus.is_muted
        for number in range(len(bus.chain.stages))
    ]


def without(song: Song, places: Collection[Place]) -> Song:
    """The song without these stages; a bus that keeps none has no chain."""
    for name in dict.fromkeys(place.bus for place in places):
        chain = song.buses[name].chain
        kept = [stage for n, stage in enumerate(chain.stages) if Place(name, n) not in places]
        song = song.with_chain(name, chain.model_copy(update={"stages": tuple(kept)}))
        if not kept:
            song = _without_chain(song, song.buses[name])
    return song


def _of_versions(song: Song) -> set[str]:
    """Names of the buses that what is heard in versions only may pass."""
    found = {bus.name for bus in song.buses.values() if bus.is_spare}
    for name in song.order:
        feeds = {song.buses[name].target, *(send.to for send in song.session.sends if send.source == name)}
        if name in found:
            found |= {each for each in feeds if each is not None}
    return found


def _without_chain(song: Song, bus: Bus) -> Song:
    fader = bus.fader.model_copy(update={"chain": None})
    buses = {**song.buses, bus.name: replace(bus, chain=Chain(), fader=fader)}
    return replace(song, buses=buses, session=_naming_no_chain(song.session, bus))


def _naming_no_chain(session: Session, bus: Bus) -> Session:
    if bus.kind == MIX_BUS:
        return session.model_copy(update={"mix_bus": session.mix_bus.model_copy(update={"chain": None})})
    faders = [
        each.model_copy(update={"chain": None}) if each.name == bus.name else each
        for each in getattr(session, bus.kind)
    ]
    return session.model_copy(update={bus.kind: tuple(faders)})
