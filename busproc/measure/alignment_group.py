"""Several sounds of one source, each against a reference that stays where it is."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from busproc.errors import InputError
from busproc.measure.alignment import LONGEST_MS, TEMPERATURE_C, Aligned, align_pair

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from busproc.measure.alignment_delay import Polarity
    from busproc.measure.alignment_spectra import Sound

    Audio = NDArray[np.float64]

MOST_OFF_FRAMES = 1.0
"""A pair that is further off the common solution does not count."""
IN_TIME_FRAMES = 0.05
_LEAST_ERROR_FRAMES = 0.01


class Placed(NamedTuple):
    """How late a sound is against the reference, and which way up.

    `declined` says why it is to be left as it is; without it the correction helps.
    """

    delay_frames: float | None
    polarity: Polarity | None
    declined: str | None


@dataclass(frozen=True)
class Group:
    """The sounds by name, each pair by its names, and by how much the pairs that count miss the solution."""

    reference: str
    sounds: dict[str, Placed]
    pairs: dict[tuple[str, str], Aligned]
    off_frames: dict[tuple[str, str], float]


class _Edge(NamedTuple):
    one: int
    other: int
    delay_frames: float
    polarity: Polarity
    weight: float


def align_group(
    sounds: Mapping[str, Sound | Audio],
    reference: str,
    rate_hz: int,
    *,
    temperature_c: float = TEMPERATURE_C,
    longest_ms: float = LONGEST_MS,
) -> Group:
    """Find one delay and one polarity for each sound that fit all pairs; the reference has 0 and 1.

    Delays are fitted by least squares, each pair weighted by its error. A pair that contradicts the others,
    in polarity or by more than a frame, does not count, nor does one that is silent, unknown or a room.

    Parameters
    ----------
    sounds
        By name; each as in `align_pair`, as is all else.
    reference
        Name of the sound that stays where it is.

    Raises
    ------
    InputError
        When the reference is not among the sounds; also those of `align_pair`.
    """
    if reference not in sounds:
        raise InputError(f"the reference {reference!r} is none of the sounds: {', '.join(sounds)}")
    names = [reference, *(name for name in sounds if name != reference)]
    pairs = {
        (a, b): align_pair(sounds[a], sounds[b], rate_hz, temperature_c=temperature_c, longest_ms=longest_ms)
        for a, b in combinations(names, 2)
    }
    known = [_edge(names.index(a), names.index(b), pair) for (a, b), pair in pairs.items()]
    signs, delays, edges = _solved([edge for edge in known if edge], len(names))
    off = {(names[edge.one], names[edge.other]): _off(edge, delays) for edge in edges}
    placed = {reference: Placed(0.0, 1, "it is the reference")}
    for k, name in enumerate(names[1:], start=1):
        own = [pairs[key] for key in off if name in key]
        placed[name] = (
            Placed(delays[k], signs[k], _declined(delays[k], signs[k], own))
            if own
            else Placed(None, None, pairs[reference, name].why)
        )
    return Group(reference, placed, pairs, off)


def _declined(delay_frames: float, polarity: Polarity, own: Sequence[Aligned]) -> str | None:
    """Why a sound is left although its place is known."""
    if abs(delay_frames) <= IN_TIME_FRAMES and polarity == 1:
        return "it is in time with the reference"
    return None if any(pair.verdict == "align" for pair in own) else own[0].why


def _solved(edges: Sequence[_Edge], count: int) -> tuple[list[Polarity], list[float], list[_Edge]]:
    """Polarities, delays, and the edges that they rest on."""
    reached = _reached(edges)
    signs = _signs(reached, count)
    agreed = [edge for edge in reached if signs[edge.one] * signs[edge.other] == edge.polarity]
    return signs, *_agreeing(_reached(agreed), count)


def _edge(one: int, other: int, pair: Aligned) -> _Edge | None:
    if pair.delay_frames is None or pair.error_frames is None or pair.polarity is None:
        return None
    if pair.verdict == "room":
        return None
    weight = max(pair.error_frames, _LEAST_ERROR_FRAMES) ** -2
    return _Edge(one, other, pair.delay_frames, pair.polarity, weight)


def _reached(edges: Sequence[_Edge]) -> list[_Edge]:
    """Edges that lead to the reference, over others or not."""
    found = {0}
    for _ in edges:
        found |= {k for edge in edges for k in edge[:2] if found & {*edge[:2]}}
    return [edge for edge in edges if edge.one in found]


def _signs(edges: Sequence[_Edge], count: int) -> list[Polarity]:
    """Polarity of each sound, so that the pairs that agree weigh most.

    Spread along the heaviest edges from the reference; then each sound is turned over as long as that helps.
    """
    signs: list[Polarity] = [1] * count
    found, heaviest = {0}, sorted(edges, key=lambda edge: -edge.weight)
    while edge := next((edge for edge in heaviest if len(found & {*edge[:2]}) == 1), None):
        known, new = edge[:2] if edge.one in found else (edge.other, edge.one)
        signs[new] = _times(signs[known], edge.polarity)
        found.add(new)
    while odd := next((k for k in range(1, count) if _agreement(k, edges, signs) < 0), None):
        signs[odd] = _times(signs[odd], -1)
    return signs


def _times(one: Polarity, other: Polarity) -> Polarity:
    return 1 if one == other else -1


def _agreement(k: int, edges: Sequence[_Edge], signs: Sequence[Polarity]) -> float:
    """Weight of the pairs of a sound that agree with the signs, less that of those that do not."""
    return sum(e.weight * e.polarity * signs[e.one] * signs[e.other] for e in edges if k in e[:2])


def _agreeing(edges: list[_Edge], count: int) -> tuple[list[float], list[_Edge]]:
    """Delays by least squares, without the pairs that contradict the others, the worst first."""
    while True:
        delays = _fitted(edges, count)
        worst = max(edges, key=lambda edge: abs(_off(edge, delays)), default=None)
        if worst is None or abs(_off(worst, delays)) <= MOST_OFF_FRAMES:
            return delays, edges
        edges = _reached([edge for edge in edges if edge is not worst])


def _fitted(edges: Sequence[_Edge], count: int) -> list[float]:
    rows, wanted = np.zeros((len(edges), count)), np.zeros(len(edges))
    for row, edge in enumerate(edges):
        root = edge.weight**0.5
        rows[row, edge.one], rows[row, edge.other], wanted[row] = -root, root, root * edge.delay_frames
    solved = np.linalg.lstsq(rows[:, 1:], wanted, rcond=None)[0]
    return [0.0, *(round(float(late), 3) + 0.0 for late in solved)]


def _off(edge: _Edge, delays: Sequence[float]) -> float:
    return edge.delay_frames - (delays[edge.other] - delays[edge.one])
