"""A check as one page that stands by itself: HTML with its figures, no script, no network."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from busproc.checking import figures, report
from busproc.checking.remedies import RECOVERS
from busproc.checking.together import HIDDEN
from busproc.measure.alignment import HELPS_A_BAND_DB, HELPS_DB
from busproc.pages.markup import STYLE, as_html, clock, column_heads, make, row, shown, table, under_details

if TYPE_CHECKING:
    from collections.abc import Iterator
    from xml.etree.ElementTree import Element

Document = dict[str, Any]

POLICY = "default-src 'none'; style-src 'unsafe-inline'"
OWN_STYLE = """
svg .cell { fill: var(--hue1); }
svg .row { fill: var(--tint); }
.wide tbody th { min-width: 9rem; text-align: left; }
.wide thead th:first-child { text-align: left; }
.words td:last-child, .words th:last-child { text-align: left; min-width: 16rem; }
ol.findings { padding-left: 1.5rem; }
ol.findings > li { max-width: 52rem; margin-top: 1rem; }
ol.findings p { margin: .2rem 0; }
"""
PASTE = (
    "What stands beside the name of a stem in a suggestion goes into that stem in the session file; a stage "
    "goes to the end of its chain. What was tried was rendered and measured; nothing has been changed."
)
MINUS = re.compile(r"(?<![\w.])-(?=\d)")


def to_html(document: Document) -> str:
    """A document of `report.build` as a page; the same document gives the same bytes."""
    title = f"{document['song']}, before the mix"
    head = make(
        "head",
        make("meta", charset="utf-8"),
        make("meta", http_equiv="Content-Security-Policy", content=POLICY),
        make("meta", name="viewport", content="width=device-width, initial-scale=1"),
        make("title", title),
        make("style", STYLE.read_text(encoding="utf-8") + OWN_STYLE),
    )
    body = make("body", make("main", make("h1", title), _sections(document)), _footer())
    return as_html(make("html", head, body, lang="en"))


def _sections(document: Document) -> Iterator[Element]:
    yield _section("In short", _headline(document), make("p", report.in_short(document)))
    if document["findings"]:
        found = [_finding(each, n) for n, each in enumerate(document["findings"], 1)]
        yield _section(
            "Findings, the most costly first", make("p", PASTE), make("ol", found, class_="findings")
        )
    if spared := report.left_out_in_words(document):
        yield _section("What could be left out", *(make("p", line) for line in spared))
    yield _section("Phase between stems of one source", *_phase(document))
    yield _section("What hides what", *_masking(document))
    yield _section("What was heard", _stems(document))


def _section(title: str, *content: Element) -> Element:
    return make("section", make("h2", title), *content)


def _headline(document: Document) -> Element:
    costs = [each["cost"] for each in document["findings"] if each["needs_doing"]]
    facts = {
        "Costly findings": str(len(costs)),
        "The worst costs": f"{shown(100 * max(costs))} % of the mix" if costs else "–",
        "Stems": str(len(document["stems"])),
        "Length": clock(document["length_s"]),
        "Pairs heard": str(len(document["phase"])),
        "Pairs that correlate": str(len(report.known_pairs(document))),
    }
    return make("dl", [make("div", make("dt", name), make("dd", value)) for name, value in facts.items()])


def _finding(finding: Document, number: int) -> Element:
    where = report.where_in_words(finding)
    told = f"{report.cost_in_words(finding)}{f'; at {where}' if where else ''}."
    entry = make(
        "li",
        make("p", make("strong", f"{report.KINDS[finding['kind']]}: "), _sentence(finding["words"])),
        make("p", told[0].upper() + told[1:]),
    )
    entry.extend(
        make("p", f"Tried {_sentence(each['words'])}{'' if each['works'] else ' (not enough)'}.")
        for each in finding["tried"]
    )
    if finding["suggestion"]:
        entry.append(make("p", "Suggested: ", make("code", report.as_json(finding["suggestion"]))))
    bands = finding["figures"].get("bands") if finding["kind"] == "phase" else None
    if bands:
        entry.append(figures.sum_of_two(finding, number))
    return entry


def _sentence(words: str) -> str:
    """Words with true minus signs before numbers."""
    return MINUS.sub("\N{MINUS SIGN}", words)


def _phase(document: Document) -> Iterator[Element]:
    known = report.known_pairs(document)
    unknown = len(document["phase"]) - len(known)
    if not document["phase"]:
        yield make(
            "p", "No two stems share a group or a word of their names, so none were set against each other."
        )
        return
    if unknown:
        yield make(
            "p",
            "Pairs with too little in common, or too little at once, for a delay to be known are left alone: "
            f"{unknown} of {len(document['phase'])}.",
        )
    if known:
        rows = [_pair(each) for each in known]
        heads = ["Pair", "ms", "cm", "Polarity", "Confidence", "Verdict"]
        caption = f"How late the second is against the first; path in air at {document['temperature_c']:g} °C"
        made = _wide(table(caption, [column_heads(heads)], rows, "pairs"))
        made[0].set("class", "wide words")
        yield made


def _pair(pair: Document) -> Element:
    return row(
        f"{pair['one']}, {pair['other']}",
        [
            shown(pair["delay_ms"], 3, signed=True),
            shown(pair["path_cm"], 1, signed=True),
            "same" if pair["polarity"] == 1 else "opposite",
            shown(pair["confidence"], 2),
            f"{pair['verdict']}: {_sentence(pair['why'])}",
        ],
    )


def _masking(document: Document) -> Iterator[Element]:
    masking = document["masking"]
    if not masking["pairs"]:
        yield make("p", "There are no two stems that could hide each other.")
        return
    yield figures.hidden_by_band(document)
    yield make(
        "p",
        "Loss is the share of a stem’s loudness that another one takes while it sounds. Two stems alike take "
        f"about 0.7 from each other; from {HIDDEN:g} on a stem counts as hidden.",
    )
    heads = ["Stem under another", "Loss", "Hz", "Loss there", "Covered there, % of time", "Worst at"]
    rows = [
        row(
            f"{each['masked']} under {each['masker']}",
            [
                shown(each["loss"], 2),
                shown(each["freq_hz"], 0),
                shown(each["loss_in_band"], 2),
                shown(100 * each["covered_in_band"], 0),
                clock(each["worst_s"][0]),
            ],
        )
        for each in masking["pairs"]
    ]
    yield _wide(table("The pairs in which most is lost", [column_heads(heads)], rows, "hidden"))
    yield figures.by_second(document)


def _stems(document: Document) -> Element:
    rows = [
        row(
            each["name"],
            [
                each["group"] or "–",
                str(each["rate_hz"]),
                str(each["channels"]),
                shown(each["lufs_at_mix_bus"]),
                shown(100 * each["share"]),
                "in the mix" if each["in_mix"] else "key or spare" if each["searched"] else "muted, left out",
            ],
        )
        for each in document["stems"]
    ]
    heads = ["Stem", "Group", "Hz", "Channels", "LUFS at the mix bus", "% of loudness", "Heard as"]
    return under_details(
        "All stems", _wide(table("What each brings to the mix bus", [column_heads(heads)], rows, "stems"))
    )


def _wide(made: Element) -> Element:
    """A table whose first column holds words."""
    made[0].set("class", "wide")
    return made


def _footer() -> Element:
    return make(
        "footer",
        make(
            "p",
            "Cost is the share of the mix’s loudness that a finding spoils: the stem’s share times what is "
            "lost of it. It puts findings in order and measures no quality; it is ours, as are all bounds.",
        ),
        make(
            "p",
            f"Aligning helps where the sum gains {HELPS_DB:g} dB in the mean of its third octaves or "
            f"{HELPS_A_BAND_DB:g} dB in one. A remedy for masking must win back {RECOVERS:.0%} of the loss "
            "in its band; it is tried behind all else that its stem passes. The constants of masking have "
            "not been validated by listening.",
        ),
        make("p", "Loudness: ITU-R BS.1770-5. Third octaves: IEC 61260-1. Made by busproc."),
    )
