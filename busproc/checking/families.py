"""Which stems may share a source: those of one group, and those whose names share a word."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from busproc.checking.hearing import mixed

if TYPE_CHECKING:
    from collections.abc import Iterable

    from busproc.song import Song

_PLACES = """
amp amped back bottom bus center centre close direct double dry far front high left line low lower main mic
mics mid mono near out outer over overhead overheads rear right room rooms side stereo take top track under
upper wet
"""
"""Words that say where a microphone stood, and not before what."""
_LEAST_LETTERS = 3


def families(song: Song) -> list[tuple[str, ...]]:
    """Names of the stems in each family, in the order of the session; a stem may be in several.

    Stems that go straight to the mix bus are no group. Samples played at hits have been placed by each hit,
    and belong to no family.
    """
    names = [name for name in mixed(song) if song.files[name].played is None]
    groups = [[n for n in names if song.files[n].stem.group == group.name] for group in song.session.groups]
    words = sorted({word for name in names for word in words_of(name)})
    named = [[name for name in names if word in words_of(name)] for word in words]
    return _without_repeats([*groups, *named])


def clans(found: Iterable[tuple[str, ...]]) -> list[list[tuple[str, ...]]]:
    """Families that hang together by a stem, with each other."""
    made: list[list[tuple[str, ...]]] = []
    for family in found:
        near = [clan for clan in made if any(set(family) & set(other) for other in clan)]
        made = [clan for clan in made if clan not in near]
        made.append([*(other for clan in near for other in clan), family])
    return made


def words_of(name: str) -> set[str]:
    """Words of a name by which its source can be told.

    >>> sorted(words_of("Snare top 2")), sorted(words_of("bassDI_close"))
    (['snare'], ['bass'])
    """
    apart = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)
    found = {word.lower() for word in re.findall(r"[^\W\d_]+", apart)}
    return {word for word in found if len(word) >= _LEAST_LETTERS and word not in _PLACES.split()}


def _without_repeats(sets: Iterable[list[str]]) -> list[tuple[str, ...]]:
    """Those of two and more that lie in no other."""
    found = list(dict.fromkeys(tuple(each) for each in sets if len(each) > 1))
    return [each for each in found if not any(set(each) < set(other) for other in found)]
