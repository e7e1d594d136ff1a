"""The search of a shootout: every try is a variation, rendered and measured as any other."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from busproc.chain import Chain
from busproc.changes import changed
from busproc.shootouts.contest import Contest, TriedSong
from busproc.shootouts.figures import Figures
from busproc.shootouts.ranking import BySong
from busproc.shootouts.refine import Refined, refine
from busproc.shootouts.variations import Variation

REFINED = "refined"
Place = tuple[int, int, str]
"""Number of a song, position of a passage, id of a variation."""


def search(
    contest: Contest, figures_of: Callable[[Sequence[TriedSong]], Mapping[Place, Figures]]
) -> Refined | None:
    """Search for the goal, where that is asked for.

    Parameters
    ----------
    contest
        The shootout.
    figures_of
        Gives the figures of songs with other variations.
    """
    shootout = contest.shootout
    if shootout.refine is None or shootout.goal is None:
        return None

    def by_song(chains: Mapping[int, Chain]) -> BySong:
        tried = [replace(each, variations=(_single(chains[each.number]),)) for each in contest.songs]
        found = figures_of(tried)
        return {unit_name(contest, number - 1, n): each for (number, n, _), each in found.items()}

    def objective(values: Mapping[str, float]) -> BySong:
        chains = {tried.number: changed(tried.base, values) for tried in contest.songs}
        if any(faults for _, faults in chains.values()):
            return {unit_name(contest, *unit): {} for unit in units(contest)}
        return by_song({number: chain for number, (chain, _) in chains.items()})

    untouched = by_song({tried.number: Chain() for tried in contest.songs})
    return refine(objective, shootout.refine, shootout.goal, untouched)


def _single(chain: Chain) -> Variation:
    return Variation("try", "try", "listed", chain, {})


def with_refined(contest: Contest, refined: Refined) -> Contest:
    """The shootout with what a search has found among its variations."""
    values = dict(refined.best.values)
    width = len(contest.songs[0].variations[0].id)
    songs = []
    for tried in contest.songs:
        found = Variation(
            f"v{len(tried.variations):0{width - 1}d}",
            REFINED,
            "refined",
            changed(tried.base, values)[0],
            values,
            refined.in_words(),
        )
        songs.append(replace(tried, variations=(*tried.variations, found)))
    return replace(contest, songs=tuple(songs))


def units(contest: Contest) -> list[tuple[int, int]]:
    """Every song and passage, by their positions."""
    return [(s, n) for s, tried in enumerate(contest.songs) for n in range(len(tried.passages))]


def unit_name(contest: Contest, song: int, passage: int) -> str:
    """A song, and which of its passages where there are several: what figures are compared within."""
    tried = contest.songs[song]
    name = song_name(tried)
    return name if len(tried.passages) == 1 else f"{name}: {tried.passages[passage].called}"


def song_name(tried: TriedSong) -> str:
    """Number and title of a song."""
    return f"{tried.number:02d} {tried.song.session.song}"
