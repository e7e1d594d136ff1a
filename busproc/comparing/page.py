"""A comparison as one page that stands by itself: HTML with its figures, no script, no network."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any
from xml.etree.ElementTree import Element

from busproc.comparing import figures, words
from busproc.measure.bands import EDGES_HZ
from busproc.pages.markup import STYLE, as_html, clock, column_heads, make, row, shown, table, under_details

Document = dict[str, Any]

POLICY = "default-src 'none'; style-src 'unsafe-inline'"
OWN_STYLE = """
svg .range { stroke: var(--area); stroke-width: 5; }
svg .ours { stroke: var(--ink); stroke-width: 3; }
svg .theirs { stroke: var(--hue0); stroke-width: 3; }
.wide tbody th { min-width: 11rem; text-align: left; }
.wide thead th:first-child { text-align: left; }
pre { overflow-x: auto; background: var(--tint); padding: .6rem; }
"""
HEARD = {
    "whole": "the whole of each",
    "loudest": "the loudest 15 s of each",
    "quietest": "the quietest 15 s of each",
    "most_changing": "the 15 s of each that change most",
}
BANDS = "Low reaches to {:g} Hz, low mid to {:g} Hz, mid to {:g} Hz, high from there on.".format(*EDGES_HZ)


def to_html(document: Document) -> str:
    """A document of `report.build` as a page; the same document gives the same bytes."""
    head = make(
        "head",
        make("meta", charset="utf-8"),
        make("meta", http_equiv="Content-Security-Policy", content=POLICY),
        make("meta", name="viewport", content="width=device-width, initial-scale=1"),
        make("title", f"{document['mix']['name']} beside references"),
        make("style", STYLE.read_text(encoding="utf-8") + OWN_STYLE),
    )
    return as_html(make("html", head, make("body", make("main", _sections(document)), _footer()), lang="en"))


def _sections(document: Document) -> Iterator[Element]:
    yield make("h1", f"{document['mix']['name']} beside references")
    yield _section("In short", _headline(document), _findings(document), *_remarks(document))
    yield _section("Balance", figures.balance(document))
    yield _section("Dynamics, width, brightness, onsets", _figures(document))
    yield _section("Brightness over time", figures.brightness(document))
    yield _section("Moves that would bring it nearer", *_moves(document["moves"]))
    yield _section("What was heard", _sounds(document))


def _section(title: str, *content: Element) -> Element:
    return make("section", make("h2", title), *content)


def _headline(document: Document) -> Element:
    before, tried = document["moves"]["before"], document["moves"]["tried"]
    after = tried[-1]["away"] if tried else before
    facts = {
        "References": str(len(document["references"])),
        "Heard": HEARD[document["heard"]],
        "Loudness of the mix": f"{shown(document['mix']['integrated_lufs'])} LUFS",
        "Balance away, dB": shown(before["balance_db"], 2),
        "With the moves, dB": shown(after["balance_db"], 2),
        "Findings": str(len(document["findings"])),
    }
    return make("dl", [make("div", make("dt", name), make("dd", value)) for name, value in facts.items()])


def _findings(document: Document) -> Element:
    if not document["findings"]:
        return make("p", "Nothing lies outside the references by enough to be named.")
    return make("ul", [make("li", each) for each in document["findings"]])


def _remarks(document: Document) -> list[Element]:
    return [make("p", each) for each in document["remarks"]]


def _figures(document: Document) -> Element:
    several = len(document["references"]) > 1
    keys = ["mix", "median", *(["lowest", "highest"] if several else []), "difference"]
    rows = [_figure(each, keys) for each in document["figures"]]
    caption = f"The mix beside the references. {BANDS}"
    return _wide(table(caption, [column_heads(["Figure", *keys])], rows, "figures"))


def _figure(each: Document, keys: list[str]) -> Element:
    digits = words.digits_of(each)
    name = f"{each['what']}, {words.band_in_words(each['band'])}, {each['unit']}"
    made = row(name, [shown(each[key], digits, signed=key == "difference") for key in keys])
    if each["outside"]:
        made[-1].set("class", "departs")
    return made


def _moves(moves: Document) -> Iterator[Element]:
    yield make("p", words.about_moves(moves))
    if not moves["tried"]:
        return
    rows = [{"words": "as it stands", "away": moves["before"]}, *moves["tried"]]
    heads = ["Move", "Balance", "Most in a band", "Width", "Dynamics"]
    yield _wide(
        table(
            "How far away the mix is with each move and all before it, in dB, rendered and measured",
            [column_heads(heads)],
            [row(each["words"], [shown(value, 2) for value in each["away"].values()]) for each in rows],
            "moves",
        )
    )
    if moves["capped"]:
        yield make("p", make("strong", "A suggestion: "), words.ARRANGEMENT)
    chain = json.dumps(moves["chain"], indent=2, ensure_ascii=False)
    yield under_details("The chain, to be taken or not", make("pre", make("code", chain), tabindex=0))


def _sounds(document: Document) -> Element:
    sounds = [document["mix"], *document["references"]]
    rows = [
        row(
            each["name"],
            [
                f"{clock(each['from_s'])} to {clock(each['to_s'])}",
                str(each["rate_hz"]),
                shown(each["integrated_lufs"]),
                shown(each["true_peak_dbtp"]),
                shown(each["gain_db"], signed=True),
            ],
        )
        for each in sounds
    ]
    heads = ["File", "Heard", "Hz", "LUFS", "dBTP", "dB to match"]
    return _wide(
        table("The mix first; all are compared at its loudness", [column_heads(heads)], rows, "sounds")
    )


def _wide(made: Element) -> Element:
    """A table whose first column holds words."""
    made[0].set("class", "wide")
    return made


def _footer() -> Element:
    bounds = ", ".join(f"{what} {most:g}" for what, most in words.NAMED.items())
    return make(
        "footer",
        make(
            "p",
            "A finding lies outside the range of the references by more than: balance "
            f"{words.BALANCE_DB:g} dB in a third octave, {bounds}, brightness {words.BRIGHTNESS_SHARE:.0%}. "
            "All bounds are ours, no standard’s.",
        ),
        make("p", "Loudness and true peak: ITU-R BS.1770-5. Third octaves: IEC 61260-1. Made by busproc."),
    )
