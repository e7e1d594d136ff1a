"""The report of a record as one page that stands by itself: HTML with its figures, no script, no network.

Built as a tree of elements, so whatever a name holds is text when it is written out, and no template
language is needed for it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any
from xml.etree.ElementTree import Element

from busproc.album import figures, sections
from busproc.album.departures import DEPARTS, HEARD_DB, entered, peak_to_loudness_db
from busproc.pages.markup import STYLE, as_html, clock, column_heads, make, shown, table

Document = dict[str, Any]
Song = dict[str, Any]

POLICY = "default-src 'none'; style-src 'unsafe-inline'"
MEASURES = {
    "short_term_95": "LUFS (95th percentile of short-term loudness)",
    "integrated": "LUFS (integrated)",
    "true_peak": "dBTP",
}
JUDGED = (
    f"Third octaves are judged where they matter: no further than {HEARD_DB:g} dB under the loudest, for the "
    "balance A-weighted (IEC 61672-1)."
)
TARGETS = {
    "per_song": "every song leaves at {} LUFS",
    "loudest_song": "the loudest song leaves at {} LUFS, the others as far below as they lie",
    "whole_record": "the record as a whole leaves at {} LUFS",
}


def to_html(document: Document) -> str:
    """A report of `report.build` as a page.

    The same report gives the same bytes. Nothing is loaded, and nothing runs.
    """
    return as_html(
        make(
            "html",
            make(
                "head",
                make("meta", charset="utf-8"),
                make("meta", http_equiv="Content-Security-Policy", content=POLICY),
                make("meta", name="viewport", content="width=device-width, initial-scale=1"),
                make("title", f"{document['album']}: the record in figures"),
                make("style", STYLE.read_text(encoding="utf-8")),
            ),
            make("body", make("main", _sections(document)), _footer()),
            lang="en",
        )
    )


def _sections(document: Document) -> Iterator[Element]:
    songs = document["songs"]
    yield make("h1", document["album"])
    if document["notes"]:
        yield make("p", document["notes"], class_="notes")
    yield _section("In short", _headline(document), make("p", _treatment(document)))
    yield _section("The songs beside each other", _beside_each_other(document))
    yield _section("What departs", *sections.what_departs(document))
    yield _section("Exceptions", *sections.exceptions(songs))
    yield _section("Balance", figures.balance(songs))
    yield _section("Width by band", figures.width(songs))
    if "reel" in document:
        yield _section("The reel", *sections.reel(document["reel"]))
    yield _section("Song by song", *(_song(song, document) for song in songs))


def _section(title: str, *content: Element) -> Element:
    return make("section", make("h2", title), *content)


def _headline(document: Document) -> Element:
    songs = document["songs"]
    length_s = sum(song["measured"]["frames"] / song["measured"]["rate_hz"] for song in songs)
    departing = {each["number"] for each in document["departures"]}
    facts = {
        "Songs": str(len(songs)),
        "Playing time": clock(length_s),
        "Loudness as a whole": _with_unit(document["integrated_lufs"], "LUFS"),
        "Quietest to loudest, LUFS": _range(song["measured"]["integrated_lufs"] for song in songs),
        "Highest true peak": _with_unit(_highest(songs, "true_peak_dbtp"), "dBTP"),
        "Peak to loudness, dB": _range(map(peak_to_loudness_db, songs)),
        "Songs that depart": f"{len(departing)} of {len(songs)}",
        "Songs with exceptions": str(sum(bool(song["exceptions"]) for song in songs)),
    }
    return make("dl", [make("div", make("dt", name), make("dd", value)) for name, value in facts.items()])


def _highest(songs: Iterable[Song], what: str) -> float | None:
    return max((song["measured"][what] for song in songs if song["measured"][what] is not None), default=None)


def _range(values: Iterable[float | None]) -> str:
    known = [value for value in values if value is not None]
    return f"{shown(min(known))} to {shown(max(known))}" if known else shown(None)


def _with_unit(value: float | None, unit: str) -> str:
    return "silent" if value is None else f"{shown(value)} {unit}"


def _treatment(document: Document) -> str:
    """How the songs were brought together, in words."""
    calibrate, loudness = document["calibrate"], document["loudness"]
    words = "Every song enters the shared chain as it was mixed"
    if calibrate:
        level = (
            "the median of the record" if calibrate["drive_lufs"] is None else shown(calibrate["drive_lufs"])
        )
        undone = ", and the trim is taken back behind it" if calibrate["undo"] else ""
        measure = MEASURES[calibrate["by"]]
        words = f"Every song is trimmed to enter the shared chain at {level}, in {measure}{undone}"
    if loudness:
        words += f"; {TARGETS[loudness['how']].format(shown(loudness['target_lufs']))}"
    if document["gain_db"]:
        words += f", by {shown(document['gain_db'], 2, signed=True)} dB into the final limiter of every song"
    return f"{words}."


def _beside_each_other(document: Document) -> Element:
    heads = (
        "No.",
        "Song",
        "Trim dB",
        f"Drive {_drive_unit(document)}",
        "LUFS",
        "dBTP",
        "Range LU",
        "Peak to loudness dB",
        "Departs in",
    )
    inner = table(
        "All songs; over and under are against the median of the record",
        [column_heads(heads)],
        [_row(song, sections.departures_of(song, document)) for song in document["songs"]],
        "record-table",
    )
    inner[0].set("class", "record")
    return inner


def _drive_unit(document: Document) -> str:
    calibrate = document["calibrate"]
    return "dBTP" if calibrate and calibrate["by"] == "true_peak" else "LUFS"


def _row(song: Song, departures: dict[str, list[Document]]) -> Element:
    measured = song["measured"]
    return make(
        "tr",
        make("td", str(song["number"])),
        make("th", make("a", song["song"], href=f"#song-{song['number']}"), scope="row"),
        make("td", shown(song["drive"]["trim_db"], 2, signed=True)),
        _cell(entered(song), departures.get("drive")),
        _cell(measured["integrated_lufs"], departures.get("loudness")),
        make("td", shown(measured["true_peak_dbtp"])),
        _cell(measured["loudness_range_lu"], departures.get("loudness range")),
        _cell(peak_to_loudness_db(song), departures.get("peak to loudness")),
        make("td", _in_short(departures)),
    )


def _cell(value: float | None, departures: list[Document] | None) -> Element:
    if not departures:
        return make("td", shown(value))
    return make("td", f"{shown(value)} ", make("small", _over_or_under(departures[0])), class_="departs")


def _over_or_under(departure: Document) -> str:
    return f"{shown(abs(departure['by']))} {'over' if departure['by'] > 0 else 'under'}"


def _in_short(departures: dict[str, list[Document]]) -> str:
    counts = {kind: f" ({len(found)})" if len(found) > 1 else "" for kind, found in departures.items()}
    return ", ".join(f"{kind}{more}" for kind, more in counts.items()) or "nothing"


def _song(song: Song, document: Document) -> Element:
    name = f"song-{song['number']}"
    return make(
        "section",
        make("h3", f"{song['number']}. {song['song']}", id=name),
        make("p", _in_a_line(song)),
        figures.over_time(song, document["songs"]),
        sections.differences(song),
        make("h4", "Decisions of the mix bus"),
        make("ol", [_decision(each) for each in song["decisions"]]),
        aria_labelledby=name,
    )


def _in_a_line(song: Song) -> str:
    measured = song["measured"]
    length = clock(measured["frames"] / measured["rate_hz"])
    trim = shown(song["drive"]["trim_db"], 2, signed=True)
    left = "silent"
    if measured["true_peak_dbtp"] is not None:
        left = f"at {shown(measured['integrated_lufs'])} LUFS, {shown(measured['true_peak_dbtp'])} dBTP"
    return f"{length}; trimmed by {trim} dB; leaves {left}."


def _decision(decision: dict[str, str]) -> Element:
    name, stage = decision["name"], decision["stage"]
    kind = "" if name.startswith(stage) else f" ({stage})"
    return make("li", make("strong", f"{name}{kind}, {decision['verdict']}:"), f" {decision['why']}")


def _footer() -> Element:
    bounds = ", ".join(f"{what} {most:g} {unit}" for what, (unit, most) in DEPARTS.items())
    return make(
        "footer",
        make("p", f"A song departs where it lies further from the median of the record than: {bounds}."),
        make("p", JUDGED),
        make("p", "Loudness and true peak: ITU-R BS.1770-5. Loudness range: EBU Tech 3342. Made by busproc."),
    )
