"""The jobs of a shootout: hear a song as it is, take it through stages that variations share, and on."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from busproc.chain import Chain
from busproc.measure.meter import Meter
from busproc.measure.passages import Passages
from busproc.progress import Progress
from busproc.routes import MIX_BUS
from busproc.shootouts.contest import TriedSong
from busproc.shootouts.keeping import KeptEntrance, keep_entrance, keep_further, write_passages
from busproc.shootouts.settings import Passage
from busproc.shootouts.variations import Shared, Variation, prefix_tree
from busproc.stages.base import Plan, Stage
from busproc.stages.context import Context
from busproc.stages.series import Placed, Step, plan_series
from busproc.through import Entrance, entrance_of, through

Spans = tuple[tuple[int, int], ...]
Curve = tuple[float, ...]
"""Gain reduction in dB, each 0.1 s."""


@dataclass(frozen=True)
class Listened:
    """A song as it reaches the bus that is varied: where it is kept, its passages in frames, its level."""

    kept: KeptEntrance
    spans: Spans
    level_lufs: float | None
    """95th percentile of its short-term loudness."""


def listen(tried: TriedSong, path: Path, untouched: Sequence[Path], progress: Progress) -> Listened:
    """Mix a song up to the bus that is varied, find its passages and its level.

    Parameters
    ----------
    tried
        The song.
    path
        File in which it is kept.
    untouched
        A file for each passage with nothing done to it.
    progress
        Called now and then.
    """
    chains = [tried.base, *(each.chain for each in tried.variations)]
    entrance = entrance_of(tried.song, path.parent, lambda what: progress(what, 0.0), chains, name=tried.bus)
    meter = Meter(entrance.rate_hz, 2)
    for block in entrance.blocks():
        meter.feed(block)
    alone = entrance if tried.bus == MIX_BUS else _in_song(tried, Chain(), path.parent, progress)
    passages = Passages(alone.rate_hz)
    for block in alone.blocks():
        progress("finding passages", 0.0)
        passages.feed(block)
    spans = tuple(_span(each, passages, alone) for each in tried.passages)
    write_passages(alone, dict(zip(untouched, spans, strict=True)))
    return Listened(keep_entrance(entrance, path), spans, meter.short_term_95_lufs())


def _in_song(tried: TriedSong, chain: Chain, folder: Path, progress: Progress) -> Entrance:
    """What leaves the mix bus with a chain on the bus that is varied."""
    song = tried.varied(chain)
    last = song.buses[MIX_BUS].chain
    entrance = entrance_of(song, folder, lambda what: progress(what, 0.0), [last])
    return through(last.placed(), entrance, announce=lambda what: progress(what, 0.0)).left


def _span(wanted: Passage, passages: Passages, entrance: Entrance) -> tuple[int, int]:
    if wanted.find == "whole":
        return 0, entrance.frames
    if wanted.find is not None:
        found = getattr(passages, wanted.find)()
        times = found.from_s, found.to_s
    else:
        assert wanted.from_s is not None
        assert wanted.to_s is not None
        times = wanted.from_s, wanted.to_s
    first, last = (round(time * entrance.rate_hz) for time in times)
    return first, min(last, entrance.frames)


@dataclass(frozen=True)
class Way:
    """How far a song has come: where it is kept, how many stages it has passed, what they took away."""

    kept: KeptEntrance
    passed: int = 0
    curve: Curve = ()


def share(way: Way, stages: Sequence[Stage], path: Path, progress: Progress) -> Way:
    """Take a song through stages that all variations begin with."""
    left, curve = _passed(way, way.kept.opened(), stages, progress)
    kept = keep_further(left, way.kept, path)
    return Way(kept, way.passed + len(stages), curve)


def trunk_of(variations: Sequence[Variation]) -> tuple[tuple[Stage, ...], list[Shared]]:
    """The stages that several variations all begin with, and the ways on from there."""
    tree = prefix_tree(variations)
    if not tree.branches:
        return (), [tree] if tree.ends else []
    return tree.stages, [*([Shared((), tree.ends, ())] if tree.ends else []), *tree.branches]


def follow(
    way: Way, shared: Shared, spans: Spans, files: Mapping[str, Sequence[Path]], progress: Progress
) -> dict[str, Curve]:
    """Take a song on through a tree of stages, and keep the passages of every variation that ends in it.

    Parameters
    ----------
    way
        How far the song has come.
    shared
        The tree.
    spans
        First frame of each passage, and the one after its last.
    files
        A file for each passage, by the variation.
    progress
        Called now and then.

    Returns
    -------
    dict
        Gain reduction of all stages together, by the variation.
    """
    return dict(_follow(way, way.kept.opened(), shared, spans, files, progress))


def try_in_song(
    tried: TriedSong,
    way: Way,
    variation: Variation,
    spans: Spans,
    files: Mapping[str, Sequence[Path]],
    progress: Progress,
) -> dict[str, Curve]:
    """Hear a variation of another bus than the mix bus in the song, and keep its passages.

    Returns as `follow` does, of the bus that is varied.
    """
    _, curve = _passed(way, way.kept.opened(), variation.chain.stages, progress)
    left = _in_song(tried, variation.chain, way.kept.sound.parent, progress)
    write_passages(left, dict(zip(files[variation.id], spans, strict=True)))
    return {variation.id: curve}


def _follow(
    way: Way,
    entrance: Entrance,
    shared: Shared,
    spans: Spans,
    files: Mapping[str, Sequence[Path]],
    progress: Progress,
) -> list[tuple[str, Curve]]:
    left, curve = _passed(way, entrance, shared.stages, progress)
    found = []
    for each in shared.ends:
        write_passages(left, dict(zip(files[each], spans, strict=True)))
        found.append((each, curve))
    further = Way(way.kept, way.passed + len(shared.stages), curve)
    for branch in shared.branches:
        found += _follow(further, left, branch, spans, files, progress)
    return found


def _passed(
    way: Way, entrance: Entrance, stages: Sequence[Stage], progress: Progress
) -> tuple[Entrance, Curve]:
    if not stages:
        return entrance, way.curve
    placed: Placed = [(f"stages[{n}]", stage) for n, stage in enumerate(stages, way.passed)]
    plan = plan_series(placed, Context(entrance.rate_hz, facts=None))
    watched = any(map(_turns_level, plan.steps))
    passed = through(
        placed, entrance, watched=watched, goes_on=True, announce=lambda what: progress(what, 0.0)
    )
    curves = [record["did"]["reduction_db_10_per_s"] for record in passed.record if _reduces(record)]
    return passed.left, together_db([way.curve, *curves])


def _turns_level(step: Step) -> bool:
    """Whether a stage decides a gain; what holds others inside may."""
    return not isinstance(step.plan, Plan) or step.plan.treatment.is_gain


def _reduces(record: Mapping[str, Any]) -> bool:
    return "reduction_db_10_per_s" in record.get("did", {})


def together_db(curves: Sequence[Sequence[float]]) -> Curve:
    """Reductions one after the other, as one.

    >>> together_db([(), (1.0, 2.0), (0.5,)])
    (1.5, 2.0)
    """
    return tuple(round(sum(each), 2) for each in itertools.zip_longest(*curves, fillvalue=0.0))
