"""Sections of a record's page in words and tables: what departs and why, exceptions, the reel."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator
from typing import Any
from xml.etree.ElementTree import Element

from busproc.album.report import remedy_in_words
from busproc.pages.markup import clock, column_heads, make, shown, table

Document = dict[str, Any]
Song = dict[str, Any]

TRIED = (
    "What would bring a song back was tried on its own chain, one setting at a time, and measured as the "
    "distance from the median of the other songs. A line with \u201cset\u201d goes into the song\u2019s "
    "exceptions in the album file, with your reason."
)
MINUS = re.compile(r"(?<![\w.])-(?=\d)")


def departures_of(song: Song, document: Document) -> dict[str, list[Document]]:
    """Departures of a song by kind."""
    kinds: dict[str, list[Document]] = {}
    for each in document["departures"]:
        if each["number"] == song["number"]:
            kinds.setdefault(each["kind"], []).append(each)
    return kinds


def what_departs(document: Document) -> Iterator[Element]:
    """Every departure with what would bring it back, song by song."""
    departing = [(song, found) for song in document["songs"] if (found := departures_of(song, document))]
    if not departing:
        yield make("p", "No song departs from the record.")
        return
    if any("remedy" in each for each in document["departures"]):
        yield make("p", TRIED)
    for song, kinds in departing:
        yield make("h3", make("a", song["song"], href=f"#song-{song['number']}"))
        yield make("ul", [_departure(each) for found in kinds.values() for each in found])


def _departure(departure: Document) -> Element:
    by = f" {shown(departure['by'], signed=True)} {departure['unit']} from the record"
    entry = make("li", make("strong", departure["what"]), by)
    if "remedy" in departure:
        entry.append(make("br"))
        entry[-1].tail = f"{_sentence(remedy_in_words(departure))}."
    remedy = departure.get("remedy")
    if remedy and remedy["set"] and remedy["within"]:
        setting = json.dumps({"set": remedy["set"]}, ensure_ascii=False)
        entry.extend([make("br"), make("code", setting)])
    return entry


def _sentence(words: str) -> str:
    """Words with true minus signs before numbers."""
    return MINUS.sub("\N{MINUS SIGN}", words)


def exceptions(songs: Iterable[Song]) -> Iterator[Element]:
    """What every song has of its own, and why."""
    found = [
        make(
            "li",
            make("a", song["song"], href=f"#song-{song['number']}"),
            f": {_changes(each)}; reason: {each['reason']}",
        )
        for song in songs
        for each in song["exceptions"]
    ]
    yield make("ul", found) if found else make("p", "Every song runs the same chain.")


def _changes(exception: Document) -> str:
    return ", ".join(f"{path} = {value}" for path, value in exception["set"].items())


def differences(song: Song) -> list[Element]:
    """Heading and list of the song's exceptions; nothing where it has none."""
    entries = [make("li", f"{_changes(each)}; reason: {each['reason']}") for each in song["exceptions"]]
    return [make("h4", "Exceptions"), make("ul", entries)] if entries else []


def reel(document: Document) -> Iterator[Element]:
    """The continuous print: its files, and where each song stands in it."""
    rate_hz, measured = document["rate_hz"], document["measured"]
    length = clock(document["frames"] / rate_hz)
    peak = shown(measured["true_peak_dbtp"])
    yield make(
        "p",
        make("code", document["file"]),
        f", {length} at {rate_hz} Hz, {_bits(document['bits'])}, {peak} dBTP, with marks "
        "in it; the CUE sheet is ",
        make("code", document["cue_sheet"]),
        ".",
    )
    rows = [
        make(
            "tr",
            make("td", str(number)),
            make("th", song["song"], scope="row"),
            make("td", _to_the_millisecond(song["start_frame"] / rate_hz)),
            make("td", _to_the_millisecond(song["frames"] / rate_hz)),
        )
        for number, song in enumerate(document["songs"], 1)
    ]
    heads = [column_heads(["No.", "Song", "Starts at", "Length"])]
    inner = table("Songs on the reel, in minutes, seconds and thousandths", heads, rows, "reel-table")
    inner[0].set("class", "reel")
    yield inner


def _bits(bits: int | str) -> str:
    return "32 bit floating point" if bits == "32_float" else f"{bits} bit"


def _to_the_millisecond(seconds: float) -> str:
    """Minutes, seconds and thousandths."""
    minutes, thousandths = divmod(round(seconds * 1000), 60_000)
    return f"{minutes}:{thousandths / 1000:06.3f}"
