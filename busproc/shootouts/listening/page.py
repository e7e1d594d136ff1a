"""The listening page as HTML: its lists, its data, its own script and styles."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import Element

from busproc.pages.markup import STYLE, as_html, clock, make
from busproc.shootouts.listening.encoding import Picture
from busproc.shootouts.listening.model import HeardPassage, HeardSong, HeardVariation, Listening
from busproc.stages.observe import NOMINAL_HZ

HERE = Path(__file__).parent
SCRIPTS = ("sounding.js", "drawing.js", "pictures.js", "controls.js", "named.js", "blind.js", "start.js")
LOWEST_DB, STARTING_DB = -60, -30
HEARING = (
    "Care for your hearing: it starts low on purpose. Turn the amplifier or headphones down first, then up "
    "slowly to where you usually listen. Loud or long listening harms hearing for good; rest in between."
)
KEYS = (
    "Keys: 1 to 9 and 0 hear the first ten, in blind trials A, B and X too; left and right arrow the one "
    "before and the one after; space plays and stops. In the waveform: a click plays from there, a pull "
    "across marks the loop."
)


def to_html(listening: Listening, drawn: Mapping[tuple[int, int, int], Picture]) -> str:
    """The page. What runs and what dresses it is named by its hash, so nothing slipped in could run.

    Parameters
    ----------
    listening
        What the page names.
    drawn
        The picture of each sound by song, passage and variation.
    """
    script = "\n".join((HERE / name).read_text(encoding="utf-8") for name in SCRIPTS)
    style = STYLE.read_text(encoding="utf-8") + (HERE / "page.css").read_text(encoding="utf-8")
    head = make(
        "head",
        make("meta", charset="utf-8"),
        make("meta", http_equiv="Content-Security-Policy", content=_policy(script, style)),
        make("meta", name="viewport", content="width=device-width, initial-scale=1"),
        make("title", f"{listening.title}: listening"),
        make("style", style),
    )
    body = make(
        "body",
        make("main", _content(listening)),
        make("footer", make("p", KEYS), make("p", "Made by busproc.")),
        make("script", _as_json(listening, drawn), type="application/json", id="data"),
        make("script", script),
    )
    return as_html(make("html", head, body, lang="en"))


def _policy(script: str, style: str) -> str:
    """Scripts of this page and from the disk, its own styles, and nothing else: no network."""
    return (
        "default-src 'none'; base-uri 'none'; form-action 'none'; "
        f"script-src file: {_digest(script)}; style-src {_digest(style)}"
    )


def _digest(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def _as_json(listening: Listening, drawn: Mapping[tuple[int, int, int], Picture]) -> str:
    """What the script works on; written so that no name can end the element it stands in."""
    document = {
        "title": listening.title,
        "songs": [
            {
                "name": song.name,
                "rate_hz": song.rate_hz,
                "passages": [
                    _passage(passage, [drawn[s, p, v] for v in range(len(listening.variations))])
                    for p, passage in enumerate(song.passages)
                ],
            }
            for s, song in enumerate(listening.songs)
        ],
        "variations": [
            {"id": each.id, "name": each.name, "kind": each.kind, "gained_lu": each.gained_lu}
            for each in listening.variations
        ],
        "bands_hz": NOMINAL_HZ,
        "trials": listening.trials,
    }
    return json.dumps(document, separators=(",", ":"), allow_nan=False).replace("<", "\\u003c")


def _passage(passage: HeardPassage, pictures: list[Picture]) -> dict[str, Any]:
    return {
        "name": _passage_name(passage),
        "frames": pictures[0].frames,
        "heard": [each.as_document() for each in pictures],
    }


def _passage_name(passage: HeardPassage) -> str:
    return f"{passage.name}, {clock(passage.from_s)} to {clock(passage.to_s)}"


def _content(listening: Listening) -> Iterator[Element]:
    yield make("h1", listening.title)
    if listening.notes:
        yield make("p", listening.notes, class_="notes")
    yield make("noscript", make("p", "This page plays by its own script: allow scripts to hear it."))
    if listening.trials is not None:
        yield _views(len(listening.trials["trials"]))
    yield _playing()
    yield make("div", make("div", _volume()), make("div", _loop()), class_="settings")
    yield make("p", HEARING, class_="care")
    yield make("section", _named(listening), id="named", aria_labelledby="named-title")
    if listening.trials is not None:
        yield make("section", _blind(), id="blind", aria_labelledby="blind-title", hidden="")


def _views(trials: int) -> Element:
    return make(
        "nav",
        make("a", "With names", href="#named"),
        make("a", f"Blind, {trials} trial{'s' if trials > 1 else ''}", href="#blind"),
        aria_label="Ways to listen",
    )


def _playing() -> Element:
    return make(
        "div",
        make("button", "Play", type="button", id="play"),
        make("p", "Stopped", id="status", role="status", aria_live="polite"),
        make("p", "0.0 s", id="position"),
        id="playing",
    )


def _volume() -> Iterator[Element]:
    yield make("label", "Volume", for_="volume")
    yield make("input", type="range", id="volume", min=LOWEST_DB, max=0, step=1, value=STARTING_DB)
    yield make("output", f"{STARTING_DB} dB".replace("-", "−"), id="volume-db", for_="volume")


def _loop() -> Iterator[Element]:
    for name, text in (("from", "Loop from"), ("to", "to")):
        yield make("label", text, for_=name)
        yield make("input", type="number", id=name, min=0, step="any", value=0, inputmode="decimal")
    yield make("span", "s")
    yield make("button", "Whole passage", type="button", id="whole")


def _named(listening: Listening) -> Iterator[Element]:
    yield make("h2", "The variations, at equal loudness", id="named-title")
    yield make("div", _picks(listening), class_="picks")
    numbered = enumerate(listening.variations)
    variations = make("ol", [_variation(k, each) for k, each in numbered], class_="heard", id="variations")
    legend = make("legend", "What is heard")
    yield make(
        "div",
        make("fieldset", legend, variations),
        make("div", id="pictures"),
        class_="beside",
    )


def _picks(listening: Listening) -> Iterator[Element]:
    songs = [make("option", song.name, value=k) for k, song in enumerate(listening.songs)]
    yield make("label", "Song ", make("select", songs, id="song"))
    passages = _passages(listening.songs[0])
    yield make("label", "Passage ", make("select", passages, id="passage"))


def _passages(song: HeardSong) -> list[Element]:
    return [make("option", _passage_name(each), value=k) for k, each in enumerate(song.passages)]


def _variation(k: int, variation: HeardVariation) -> Element:
    box = make("input", type="radio", name="heard", value=k, id=f"heard-{k}")
    if k == 0:
        box.set("checked", "")
    name = make("strong", variation.name)
    now = make("span", class_="now", aria_hidden="true")
    says = make("span", variation.says, class_="says")
    gained = make("span", class_="gained")
    number = make("span", str(k + 1), class_="number", aria_hidden="true")
    return make("li", make("label", box, number, make("span", name, " ", now, says, gained)))


def _blind() -> Iterator[Element]:
    yield make("h2", "Blind trials", id="blind-title")
    yield make("div", id="trial")
