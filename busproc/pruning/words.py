"""What leaving out stages changes, in sentences with the figures in them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from busproc.pages.markup import clock

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from busproc.pruning.hearing import Outcome

AT_MOST_SHOWN_DB = 99.9
"""What lies further under the threshold is not told more exactly."""


def why(word: str, outcome: Outcome) -> str:
    """One sentence on a stage by itself."""
    if outcome.over and word == "guards the ceiling":
        peak_db, most_db = outcome.over
        return f"Guards the ceiling: without it peaks reach {peak_db:.2f} dBTP, over {most_db:.2f}."
    if outcome.is_same and word == "not heard":
        return "Without it every sample is the same."
    if word == "level only":
        return (
            f"Changes the level: without it {figures_in_words(outcome)}, "
            "so that nothing but the level can be heard."
        )
    also = "; but it is heard together with others that are left out" if word == "heard together" else ""
    return f"Without it {figures_in_words(outcome)}{also}."


def figures_in_words(outcome: Outcome) -> str:
    """The figures, to stand behind 'without it'."""
    if outcome.is_same:
        return "every sample is the same"
    level, noise = outcome.difference.level, outcome.difference.noise
    told = (
        f"loudness changes by {outcome.loudness_change_db:+.2f} dB, and at one loudness a band by "
        f"{level.db:+.2f} dB at most ({level.freq_hz:.0f} Hz at {clock(level.at_s)})"
    )
    if noise is None or noise.db < -AT_MOST_SHOWN_DB:
        return f"{told}; nothing is added"
    side = "under" if noise.db < 0 else "over"
    return (
        f"{told}; what differs reaches {abs(noise.db):.1f} dB {side} the threshold of the ear "
        f"({noise.freq_hz:.0f} Hz at {clock(noise.at_s)})"
    )


def left_out_in_short(left_out: Mapping[str, Any]) -> str:
    """What a decision log says first."""
    gone = [f"{each['place']} {each['stage']}" for each in left_out["stages"]]
    return f"left out, as it changes nothing one could hear: {', '.join(gone) or 'nothing'}"


def left_out_in_words(left_out: Mapping[str, Any]) -> Iterator[str]:
    """What a decision log says of stages that its chains once had: each, all together, those put back."""
    if not left_out["stages"]:
        yield f"Nothing: of {left_out['judged']} stages that were tried each does something one could hear."
    for each in left_out["stages"]:
        yield of_stage(each)
    if len(left_out["stages"]) > 1:
        yield left_out["together"]["why"]
    for each in left_out["put_back"]:
        yield f"kept: {of_stage(each)}"


def of_stage(record: Mapping[str, Any]) -> str:
    """A line on one stage."""
    name = f" '{record['name']}'" if "name" in record else ""
    return f"{record['place']} {record['stage']}{name}: {record['why']}"
