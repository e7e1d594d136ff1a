"""What is to be compared, by name: written out, by every combination, drawn within ranges."""

from __future__ import annotations

import itertools
import json
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.stats import qmc

from busproc.settings import UNITS, unit_of
from busproc.shootouts.settings import MOST_VARIATIONS, Grid, Samples, Shootout

Where = Literal["variations", "grid", "samples"]

UNTOUCHED = "untouched"
"""Name of the input with nothing done to it."""
REPEAT = "hidden repeat"
"""Name of the variation that is another one a second time."""

LONGEST_VALUE = 40
"""Letters of a value that a name can hold; of longer ones it says which it is in the list."""


@dataclass(frozen=True)
class Draft:
    """A variation before it meets a base chain."""

    where: Where
    number: int
    name: str
    changes: Mapping[str, Any]
    reason: str = ""
    chain: str | None = None
    """Path of the chain file it starts from, as written; None for the base chain."""
    picks: tuple[int, ...] = ()
    """Which value of each list a combination takes."""


def drafted(shootout: Shootout) -> tuple[list[Draft], list[str]]:
    """Name everything that a shootout compares, controls left out.

    Returns
    -------
    tuple
        The drafts, and what is wrong: too many combinations, too narrow ranges, a name that stands twice.
    """
    faults: list[str] = []
    drafts = [
        Draft("variations", n, each.name, each.set, each.reason, each.chain)
        for n, each in enumerate(shootout.variations)
    ]
    if shootout.grid is not None:
        drafts += _combinations(shootout.grid, faults)
    if shootout.samples is not None:
        drafts += _drawn(shootout.samples, faults)
    if not drafts and not faults:
        faults.append("variations: nothing to compare; give variations, a grid or samples")
    return drafts, [*faults, *_name_faults(drafts)]


def _combinations(grid: Grid, faults: list[str]) -> list[Draft]:
    count = math.prod(len(values) for values in grid.set.values())
    if count > grid.most:
        way = f'or allow them with "most": {count}'
        if count > MOST_VARIATIONS:
            way = f"or draw samples; no grid has more than {MOST_VARIATIONS}"
        faults.append(f"grid.set: {count} combinations are more than {grid.most}; list fewer values, {way}")
        return []
    labels = _labels(grid.set)
    drafts = []
    for n, picks in enumerate(itertools.product(*(range(len(values)) for values in grid.set.values()))):
        changes = {path: values[k] for (path, values), k in zip(grid.set.items(), picks, strict=True)}
        name = _named(labels, changes, picks)
        drafts.append(Draft("grid", n, name, changes, grid.reason, picks=picks))
    return drafts


def _drawn(samples: Samples, faults: list[str]) -> list[Draft]:
    labels = _labels(samples.ranges)
    drawn = {}
    for units in _cube(samples):
        changes = spread(samples.ranges, units.tolist())
        drawn[_named(labels, changes)] = changes
    if len(drawn) < samples.count:
        faults.append(
            f"samples.ranges: hold only {len(drawn)} settings that differ in 4 digits, not {samples.count}; "
            "widen them or lower count"
        )
    few = itertools.islice(drawn.items(), samples.count)
    return [Draft("samples", n, name, changes, samples.reason) for n, (name, changes) in enumerate(few)]


def _cube(samples: Samples) -> NDArray[np.float64]:
    """Points of the unit cube, four times as many as asked for, so that twins can be passed over."""
    settings, more = len(samples.ranges), 2 + (samples.count - 1).bit_length()
    if samples.how == "random":
        return np.random.default_rng(samples.seed).random((2**more, settings))
    points: NDArray[np.float64] = qmc.Sobol(settings, scramble=True, rng=samples.seed).random_base2(more)
    return points


def spread(ranges: Mapping[str, tuple[float, float]], units: Sequence[float]) -> dict[str, float]:
    """Values within ranges at places from 0 to 1, in 4 significant digits.

    Times, frequencies, ratios and q that stay above 0 are spread by ratio, all else evenly.

    >>> spread({"eq.bands[0].freq_hz": (100.0, 10000.0), "gain.gain_db": (-6.0, 6.0)}, (0.5, 0.5))
    {'eq.bands[0].freq_hz': 1000.0, 'gain.gain_db': 0.0}
    """
    return {
        path: _between(path, low, high, unit)
        for (path, (low, high)), unit in zip(ranges.items(), units, strict=True)
    }


def _between(path: str, low: float, high: float, unit: float) -> float:
    by_ratio = low > 0 and (unit_of(path) in {"Hz", "ms", "s"} or path.endswith((".ratio", ".q")))
    value = low * (high / low) ** unit if by_ratio else low + (high - low) * unit
    return min(max(float(f"{value:.4g}"), low), high)


def _labels(paths: Mapping[str, Any]) -> dict[str, str]:
    """The shortest ending of each path that no other path has."""
    labels = {}
    for path in paths:
        endings = [path[k:] for k in _starts(path)]
        others = [other for other in paths if other != path]
        alone = [end for end in endings if not any(f".{other}".endswith(f".{end}") for other in others)]
        labels[path] = alone[-1] if alone else path
    return labels


def _starts(path: str) -> list[int]:
    return [0, *(dot.end() for dot in re.finditer(r"\.", path))]


def _named(labels: Mapping[str, str], changes: Mapping[str, Any], picks: Sequence[int] = ()) -> str:
    """A name out of what is changed: "attack 30 ms, ratio 2"."""
    parts = []
    for (path, value), k in zip(changes.items(), picks or [0] * len(changes), strict=True):
        ending = next((ending for ending in UNITS if path.endswith(ending)), "")
        label = labels[path].removesuffix(ending).replace("_", " ")
        parts.append(f"{label} {_told(value, k)} {unit_of(path)}".rstrip())
    return ", ".join(parts)


def _told(value: Any, k: int) -> str:
    """A value as short as it can be without becoming another."""
    if isinstance(value, float) and float(f"{value:g}") == value:
        return f"{value:g}"
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    return text if len(text) <= LONGEST_VALUE else f"#{k + 1}"


def _name_faults(drafts: Sequence[Draft]) -> Iterator[str]:
    first = {UNTOUCHED: "the untouched input", REPEAT: "the hidden repeat"}
    for draft in drafts:
        place = f"{draft.where}[{draft.number}].name" if draft.where == "variations" else draft.where
        if draft.name in first:
            yield f"{place}: {draft.name!r} is already the name of {first[draft.name]}; names must differ"
        first.setdefault(draft.name, place.removesuffix(".name"))
