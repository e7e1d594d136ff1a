"""Variations of a chain, the two controls among them, and the stages that several of them share."""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from busproc.chain import Chain
from busproc.changes import changed
from busproc.jsonfile import nearest
from busproc.shootouts.drafts import REPEAT, UNTOUCHED, Draft, Where
from busproc.shootouts.settings import Blind, Controls
from busproc.stages.base import Stage

Kind = Literal["listed", "grid", "sample", "untouched", "repeat", "refined"]
KINDS: dict[Where, Kind] = {"variations": "listed", "grid": "grid", "samples": "sample"}


@dataclass(frozen=True)
class Variation:
    """A chain that is compared with others."""

    id: str
    """v01, v02 .. in the order of the file; v00 is the untouched input."""
    name: str
    kind: Kind
    chain: Chain
    changes: Mapping[str, Any]
    reason: str = ""
    repeats: str = ""
    """Of a repeat: the id of its twin."""


@dataclass(frozen=True)
class Shared:
    """Stages that several variations run alike, and what comes after them."""

    stages: tuple[Stage, ...]
    ends: tuple[str, ...]
    """Ids of the variations whose chain ends here."""
    branches: tuple[Shared, ...]
    """Ways in which chains go on, no two of them beginning alike."""

    def count(self) -> int:
        """How many stages run in all, each of those that are shared once."""
        return len(self.stages) + sum(branch.count() for branch in self.branches)


def expand(
    drafts: Sequence[Draft], base: Chain, chains: Mapping[str, Chain], controls: Controls | None
) -> tuple[tuple[Variation, ...], list[str]]:
    """Make the chains of all variations.

    Parameters
    ----------
    drafts
        From `drafted`.
    base
        The chain that is varied.
    chains
        Other chains by their path as written. A draft whose chain is not among them is left out.
    controls
        What is added; None adds nothing.

    Returns
    -------
    tuple
        The variations, the untouched input first and the repeat last; and what is wrong with the changes.
    """
    starts = [(draft, base if draft.chain is None else chains.get(draft.chain)) for draft in drafts]
    made = [(draft, *changed(start, draft.changes)) for draft, start in starts if start is not None]
    width = max(2, len(str(len(made) + 1)))
    variations = [
        Variation(f"v{n:0{width}d}", draft.name, KINDS[draft.where], chain, dict(draft.changes), draft.reason)
        for n, (draft, chain, _) in enumerate(made, 1)
    ]
    if controls is not None and variations:
        variations = [_untouched(width), *variations, _repeat(variations, controls, width)]
    return tuple(variations), list(_change_faults([(draft, faults) for draft, _, faults in made]))


def _untouched(width: int) -> Variation:
    return Variation(f"v{0:0{width}d}", UNTOUCHED, "untouched", Chain(), {}, "Leaving it alone is an answer.")


def _repeat(variations: Sequence[Variation], controls: Controls, width: int) -> Variation:
    twin = variations[int(np.random.default_rng(controls.seed).integers(len(variations)))]
    why = f"{twin.name} a second time: what is found between the two is not there."
    number = f"v{len(variations) + 1:0{width}d}"
    return Variation(number, REPEAT, "repeat", twin.chain, twin.changes, why, twin.id)


def _change_faults(tried: list[tuple[Draft, list[str]]]) -> Iterator[str]:
    """Faults of what is written out; of combinations and samples each fault once, with its cause."""
    shared: dict[tuple[Where, str], list[tuple[Draft, str]]] = defaultdict(list)
    for draft, faults in tried:
        for fault in faults:
            if draft.where == "variations":
                yield f"variations[{draft.number}].set: {fault}"
            else:
                alike = fault if draft.where == "grid" else fault.partition(", not ")[0]
                shared[draft.where, alike].append((draft, fault))
    combinations = [draft for draft, _ in tried if draft.where == "grid"]
    for (where, _), cases in shared.items():
        fault = cases[0][1]
        if where == "grid":
            yield f"grid.set{_culprits([draft for draft, _ in cases], combinations)}: {fault}"
        else:
            yield f"samples.ranges: {fault} (in {len(cases)} of the samples)"


def _culprits(wrong: list[Draft], combinations: list[Draft]) -> str:
    """Values that all combinations with one fault have in common, and not all others too."""
    common = [
        f"{path}[{wrong[0].picks[n]}]"
        for n, path in enumerate(wrong[0].changes)
        if len({draft.picks[n] for draft in wrong}) == 1 < len({draft.picks[n] for draft in combinations})
    ]
    return f".{' with '.join(common)}" if common else ""


def shared_stages(a: Variation, b: Variation) -> int:
    """How many stages at the beginning of two variations are set alike."""
    pairs = zip(a.chain.stages, b.chain.stages, strict=False)
    return sum(1 for _ in itertools.takewhile(lambda pair: pair[0] == pair[1], pairs))


def prefix_tree(variations: Sequence[Variation]) -> Shared:
    """Lay chains over each other, so that what they begin with alike need run but once.

    Returns
    -------
    Shared
        The stages that all of them begin with. From there to an end, the stages passed on the way are the
        chain of each variation that ends there.
    """
    chains = [(each.id, each.chain.stages, tuple(map(_key, each.chain.stages))) for each in variations]
    return _grown(chains, 0)


def _key(stage: Stage) -> str:
    return stage.model_dump_json(by_alias=True)


def _grown(chains: list[tuple[str, tuple[Stage, ...], tuple[str, ...]]], start: int) -> Shared:
    """The tree of chains that are alike before `start`."""
    shortest = min((keys for _, _, keys in chains), key=len, default=())
    alike = itertools.takewhile(
        lambda n: len({keys[n] for _, _, keys in chains}) == 1, range(start, len(shortest))
    )
    end = start + sum(1 for _ in alike)
    ways: dict[str, list[tuple[str, tuple[Stage, ...], tuple[str, ...]]]] = defaultdict(list)
    for chain in chains:
        if len(chain[2]) > end:
            ways[chain[2][end]].append(chain)
    return Shared(
        chains[0][1][start:end] if chains else (),
        tuple(each for each, _, keys in chains if len(keys) == end),
        tuple(_grown(way, end) for way in ways.values()),
    )


def trial_pairs(
    blind: Blind, variations: Sequence[Variation]
) -> tuple[tuple[tuple[str, str], ...], list[str]]:
    """Which variations are put before a listener together, the hidden repeat and its twin left out.

    Returns
    -------
    tuple
        Pairs of ids, and what is wrong with the names.
    """
    ids = {each.name: each.id for each in variations}
    if not blind.pairs:
        others = (each.id for each in variations if each.kind not in {"untouched", "repeat"})
        return tuple((other, variations[0].id) for other in others), []
    return (
        tuple((ids[a], ids[b]) for a, b in blind.pairs if a in ids and b in ids),
        list(_pair_faults(blind, ids)),
    )


def _pair_faults(blind: Blind, ids: Mapping[str, str]) -> Iterator[str]:
    first: dict[frozenset[str], int] = {}
    for n, pair in enumerate(blind.pairs):
        where = f"blind.pairs[{n}]"
        yield from (f"{where}: no variation is called {a!r}{nearest(a, ids)}" for a in pair if a not in ids)
        if pair[0] == pair[1]:
            yield f"{where}: two of the same; the hidden repeat is there for that"
        same = first.setdefault(frozenset(pair), n)
        if same != n:
            yield f"{where}: is blind.pairs[{same}] already"


def hidden_repeat(variations: Sequence[Variation]) -> tuple[str, str] | None:
    """Ids of the variation that is there twice, and of its repeat."""
    return next(((each.repeats, each.id) for each in variations if each.kind == "repeat"), None)
