"""What keeps a shootout from being run, beyond what each file says by itself."""

from __future__ import annotations

import graphlib
from collections.abc import Iterable, Iterator

from busproc.chain import Chain
from busproc.changes import changed
from busproc.errors import InputError
from busproc.jsonfile import nearest
from busproc.routes import MIX_BUS
from busproc.shootouts.contest import TriedSong
from busproc.shootouts.goal import DISTANCES
from busproc.shootouts.settings import Passage, Refine, Shootout
from busproc.song import Song
from busproc.stages.context import Context

BLOCK_S = 0.4
"""Sound that integrated loudness needs (Rec. ITU-R BS.1770-5)."""

SHORT_TERM_S = 3.0
"""Sound that short-term loudness needs (EBU Tech 3341)."""


def passage_faults(
    where: str, common: Iterable[Passage], own: Iterable[Passage], song: Song
) -> Iterator[str]:
    length_s = song.frames / song.rate_hz
    first: dict[str, str] = {}
    for place, group in (("passages", common), (f"{where}.passages", own)):
        for n, passage in enumerate(group):
            here = f"{place}[{n}]"
            other = first.setdefault(passage.called, here)
            if other != here:
                yield f"{here}.name: {passage.called!r} is already the name of {other}; names must differ"
            lasts_s = length_s if passage.to_s is None else passage.to_s - (passage.from_s or 0.0)
            if lasts_s < BLOCK_S:
                yield f"{here}: lasts {lasts_s:.3g} s in {song.session.song!r}; loudness needs {BLOCK_S:g} s"
            if passage.to_s is not None and passage.to_s > length_s:
                yield (
                    f"{here}.to_s: {passage.to_s:g} s is after the end of {song.session.song!r} ({where}), "
                    f"which lasts {length_s:.3f} s"
                )


def match_faults(shootout: Shootout, tried: list[TriedSong]) -> Iterator[str]:
    wanted = shootout.match.passage
    for each in tried if wanted is not None else ():
        called = {passage.called: passage for passage in each.passages}
        if wanted not in called:
            hint = nearest(wanted, called)
            yield f"match.passage: songs[{each.number - 1}] has no passage called {wanted!r}{hint}"
            continue
        passage, song_s = called[wanted], each.song.frames / each.song.rate_hz
        length_s = song_s if passage.to_s is None or passage.from_s is None else passage.to_s - passage.from_s
        if length_s < SHORT_TERM_S:
            yield (
                f"match.passage: {wanted!r} lasts {length_s:g} s in songs[{each.number - 1}]; "
                f"short-term loudness needs {SHORT_TERM_S:g} s"
            )


def goal_faults(shootout: Shootout) -> Iterator[str]:
    if shootout.refine is not None and shootout.goal is None:
        yield "refine: searches for the goal; give one"
    if shootout.weights is not None and shootout.reference is None:
        yield "weights: weigh the parts of the distance to a reference; give one"
    for figure, key in shootout.goal.figures().items() if shootout.goal is not None else ():
        if figure in {*DISTANCES, "distance_db"} and shootout.reference is None:
            yield f"goal.{key}: {figure} is the distance to a reference; give one"
        if figure == "distance_db" and shootout.weights is None:
            yield f"goal.{key}: distance_db is made of parts that you weigh; give weights"


def range_faults(refine: Refine, base: Chain) -> Iterator[str]:
    """Ends of ranges that the chain refuses."""
    for path, ends in refine.ranges.items():
        for n, end in enumerate(ends):
            yield from (f"refine.ranges.{path}[{n}]: {fault}" for fault in changed(base, {path: end})[1])


def no_such_bus(where: str, name: str, song: Song) -> Iterator[str]:
    """A bus that a song has not, or that nobody hears."""
    if name not in song.buses:
        yield f"bus: {where} has no stem, group or return {name!r}{nearest(name, song.buses)}"
    elif song.buses[name].is_muted:
        yield f"bus: {name!r} is muted in {where}, so that nothing of it would be heard"


def fit_faults(tried: TriedSong) -> Iterator[str]:
    """What keeps a chain from running on a song: filters too high for its rate, keys that are not there."""
    song = tried.song
    sources = [name for name in song.buses if name not in {MIX_BUS, tried.bus}]
    seen: set[str] = set()
    for each in tried.variations:
        for where, key in each.chain.key_inputs():
            if key.source not in {*sources, *seen}:
                seen.add(key.source)
                hint = nearest(key.source, sources)
                yield f"{each.name!r}: {where}.from: {key.source!r} is no stem, group or return of it{hint}"
        try:
            tried.varied(each.chain)
        except graphlib.CycleError:
            yield f"{each.name!r}: one of its keys hears {tried.bus!r} itself; it would go round in a circle"
        for where, stage in each.chain.placed():
            told = stage.model_dump_json(by_alias=True)
            if told not in seen:
                seen.add(told)
                try:
                    stage.plan(Context(song.rate_hz, facts=None))
                except InputError as error:
                    yield f"{each.name!r}: {where}: {error}"
