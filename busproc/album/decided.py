"""What the decision log of a song says about the mix bus, stage by stage, in few figures and words."""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Iterator
from typing import Any

Log = dict[str, Any]
TENTHS = 10


def dynamics(decisions: list[Log]) -> list[dict[str, Any]]:
    """Reduction of every stage that turns the level of the mix bus: percentiles, and second by second."""
    return [
        {
            "stage": name,
            "median_db": record["did"]["median_db"],
            "percentile_95_db": record["did"]["percentile_95_db"],
            "reduction_db_each_s": _each_second(record["did"]["reduction_db_10_per_s"]),
        }
        for name, _, record in told_apart(decisions)
        if "percentile_95_db" in record.get("did", {})
    ]


def in_words(decisions: list[Log]) -> list[dict[str, str]]:
    """What each stage of the mix bus did and why, in the order of the chain."""
    return [
        {"name": name, "stage": record["stage"], "verdict": record["verdict"], "why": record["why"]}
        for name, _, record in told_apart(decisions)
    ]


def told_apart(decisions: list[Log]) -> Iterator[tuple[str, str, Log]]:
    """Every stage by name and path; a name that came before gets a number, the same in every song."""
    times: Counter[str] = Counter()
    for name, path, record in _stages(decisions):
        times[name] += 1
        yield name if times[name] == 1 else f"{name} {times[name]}", path, record


def _stages(records: list[Log], within: str = "", under: str = "") -> Iterator[tuple[str, str, Log]]:
    """Every stage with its name and path, those in branches after the stage that holds them."""
    for n, record in enumerate(records):
        name, path = record.get("name", record["stage"]), f"{under}stages[{n}]"
        yield f"{name}{within}", path, record
        for branch in record.get("branches", []):
            step = branch["step"]
            yield from _stages(branch["decisions"], f" in {name}.{step}{within}", f"{path}.{step}.")


def _each_second(tenths: list[float]) -> dict[str, list[float]]:
    """Median and deepest of each second; the last one may be shorter."""
    seconds = [tenths[first : first + TENTHS] for first in range(0, len(tenths), TENTHS)]
    return {
        "median": [round(statistics.median(second), 2) for second in seconds],
        "deepest": [max(second) for second in seconds],
    }
