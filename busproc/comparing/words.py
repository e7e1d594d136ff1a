"""What is found, in words: where a mix lies outside its references, what they are, what was tried."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby
from typing import Any

from busproc.comparing.moves import MOST_DB
from busproc.pages.markup import shown

Document = dict[str, Any]

NAMED = {
    "low end against the whole": 1.5,
    "crest factor": 2.0,
    "short-term range": 2.0,
    "side against mid": 2.0,
    "lost in mono": 1.0,
    "onsets": 30.0,
}
"""How far a figure may lie outside the references before it is named. Ours, not a standard's."""
BALANCE_DB = 1.0
BRIGHTNESS_SHARE = 0.2
ARRANGEMENT = (
    "What differs in the arrangement (keys, instruments, how often they play) looks like EQ here. "
    f"The moves are a suggestion, held to {MOST_DB:g} dB."
)


def findings(balance: Sequence[Document], figures: Sequence[Document]) -> list[str]:
    """Every figure that lies outside the references by enough; neighbouring third octaves as one."""
    return [*_in_balance(balance), *_in_figures(figures)]


def about_references(references: Sequence[Document]) -> list[str]:
    """Whether they are the same programme, and what follows."""
    same = [each for each in references if each["same_programme"]]
    told = [_same(each) for each in same]
    if len(same) == len(references):
        return [*told, "The moves follow the filter between the mix and what was made of it."]
    others = "The reference is another programme."
    if len(references) > 1:
        others = "Not all references are that." if same else "The references are other programmes."
    return [*told, f"{others} {ARRANGEMENT}"]


def about_moves(moves: Document) -> str:
    """How near they brought the mix."""
    if not moves["tried"]:
        return "No move that was tried brings the mix nearer by enough to be worth it."
    before, after = moves["before"], moves["tried"][-1]["away"]
    parts = [
        f"{name} from {shown(before[key], 2)} to {shown(after[key], 2)} dB"
        for name, key in (("balance", "balance_db"), ("width", "width_db"), ("dynamics", "dynamics_db"))
        if before[key] is not None and after[key] is not None
    ]
    return f"With all of them the distance changes: {', '.join(parts)}. Nothing of it has been applied."


def band_in_words(band: str) -> str:
    """A broad band as it is read."""
    return band.replace("_", " ")


def _same(reference: Document) -> str:
    found = reference["same_programme"]
    return (
        f"{reference['name']} is the mix itself, treated: one filter explains "
        f"{shown(100 * found['explained'], 1)} % of it; it starts {_later(found['late_ms'])}."
    )


def _later(late_ms: float) -> str:
    return f"{shown(abs(late_ms), 2)} ms {'later' if late_ms > 0 else 'earlier'}" if late_ms else "with it"


def _in_balance(balance: Sequence[Document]) -> Iterator[str]:
    def side(each: Document) -> int:
        apart = each["outside"]
        return 0 if apart is None or abs(apart) < BALANCE_DB else (1 if apart > 0 else -1)

    for sign, group in groupby(balance, key=side):
        if sign:
            rows = list(group)
            most = max(rows, key=lambda each: abs(each["outside"]))
            where = rows[0]["hz"] if len(rows) == 1 else f"{rows[0]['hz']} to {rows[-1]['hz']}"
            at = "" if len(rows) == 1 else f" at {most['hz']} Hz"
            yield f"Balance, {where} Hz: {_over(most['outside'], 'dB')}{at}."


def _in_figures(figures: Sequence[Document]) -> Iterator[str]:
    for each in figures:
        apart = each["outside"]
        if apart is None:
            continue
        most = NAMED.get(each["what"], BRIGHTNESS_SHARE * (each["median"] or 0.0))
        if abs(apart) >= most:
            what, unit, digits = each["what"].capitalize(), each["unit"], digits_of(each)
            where = band_in_words(each["band"])
            yield f"{what}, {where}: {shown(each['mix'], digits)} {unit}, {_over(apart, unit, digits)}."


def digits_of(figure: Mapping[str, Any]) -> int:
    """Digits behind the point that a figure is worth."""
    return 1 if figure["unit"] == "dB" else 0


def _over(apart: float, unit: str, digits: int = 1) -> str:
    return f"{shown(abs(apart), digits)} {unit} {'over' if apart > 0 else 'under'} the references"
