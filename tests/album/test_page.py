"""The page of a record: well formed, complete, and every figure drawn where its numbers say."""

from __future__ import annotations

import copy
import json
import re
from collections import Counter
from html.parser import HTMLParser
from statistics import median

import numpy as np
import pytest
import soundfile as sf

from busproc.album.page import to_html
from busproc.album.rendering import render_album
from busproc.album.report import in_words, remedy_in_words
from busproc.measure.meter import Meter
from busproc.stages.observe import NOMINAL_HZ
from tests.album.test_record import mixes, write_album

VOID = {"meta", "br", "hr", "img", "link", "input"}
TITLE = '<script>alert(1)</script> & "quotes"'
REASON = "a lullaby: <b>hardly</b> held & soft"
CHAIN = [
    {
        "stage": "compressor",
        "name": "quiet only",
        "when": {"measure": "integrated_lufs", "below": -15},
        "threshold_dbfs": -30,
        "ratio": 1.3,
    },
    {"stage": "compressor", "name": "hold", "threshold_dbfs": -22, "ratio": 3},
    {
        "stage": "parallel",
        "branches": [
            {
                "level_db": -9,
                "stages": [
                    {"stage": "compressor", "threshold_dbfs": -30, "ratio": 6},
                    {"stage": "compressor", "threshold_dbfs": -27},
                ],
            }
        ],
    },
    {"stage": "limiter", "ceiling_dbtp": -1},
]
WITHIN = ("compressor in parallel.branches[0]", "compressor in parallel.branches[0] 2")


class Node:
    def __init__(self, tag, attributes, parent):
        self.tag, self.attributes, self.parent = tag, attributes, parent
        self.content = []

    def __getitem__(self, name):
        return self.attributes[name]

    @property
    def text(self):
        return "".join(each if isinstance(each, str) else each.text for each in self.content)

    def all(self, *tags, **wanted):
        for each in self.content:
            if isinstance(each, Node):
                right = all(each.attributes.get(name.rstrip("_")) == value for name, value in wanted.items())
                if (not tags or each.tag in tags) and right:
                    yield each
                yield from each.all(*tags, **wanted)

    def one(self, *tags, **wanted):
        (found,) = self.all(*tags, **wanted)
        return found


class Tree(HTMLParser):
    """A tree of a page in which every element is closed where it must be."""

    def __init__(self, text):
        super().__init__()
        self.root = self.at = Node("", {}, None)
        self.feed(text)
        self.close()
        assert self.at is self.root

    def handle_starttag(self, tag, attrs):
        assert len(dict(attrs)) == len(attrs)
        node = Node(tag, dict(attrs), self.at)
        self.at.content.append(node)
        if tag not in VOID:
            self.at = node

    def handle_endtag(self, tag):
        assert self.at.tag == tag
        self.at = self.at.parent

    def handle_data(self, data):
        self.at.content.append(data)


def hostile_record(folder):
    """A record whose songs depart, with an exception, a reel and names that look like markup."""
    album = write_album(folder, chain=CHAIN, calibrate=None, reel=True, notes="Two lines,\n<i>no more</i>.")
    document = json.loads(album.read_text())
    document["songs"][1]["exceptions"] = [{"set": {"hold.ratio": 1.2}, "reason": REASON}]
    album.write_text(json.dumps(document))
    session = folder / "song_2" / "session.json"
    session.write_text(json.dumps(json.loads(session.read_text()) | {"song": TITLE}))
    return render_album(album, folder / "out")


def with_remedies_by_hand(document):
    """A remedy of each sort in turn: true ones are checked where they are found."""
    brought = {"set": {"hold.makeup_db": -2.5}, "words": "hold.makeup_db = -2.5", "moves": {}, "also": []}
    brought |= {"before": 3.0, "after": -0.04, "within": True}
    moving = brought | {"also": ["drive", "loudness"], "moves": {"reduction of <b>": -3.14, "loudness": 2.0}}
    best = brought | {"after": 1.26, "within": False}
    none = best | {"set": None, "words": None}
    sorts = [brought, moving, best, none, None]
    departures = [each | {"remedy": sorts[n % len(sorts)]} for n, each in enumerate(document["departures"])]
    return document | {"departures": departures}


@pytest.fixture(scope="module")
def record(tmp_path_factory):
    return hostile_record(tmp_path_factory.mktemp("record"))


@pytest.fixture(scope="module")
def text(record):
    return (record.folder / "Lantern_Hours.album.html").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def page(text):
    return Tree(text).root


def number(text):
    return None if text == "–" else float(text.replace("−", "-"))


def body_rows(table):
    """Head and numbers of each row."""
    rows = table.one("tbody").all("tr")
    return {row.one("th").text: [number(cell.text) for cell in row.all("td")] for row in rows}


def panels(svg):
    """Each panel's curves in the units of its scale, read off the ticks beside it."""
    lettering = [each for each in svg.content if each.tag == "text" and each["x"] == "7%"]
    for inner in (each for each in svg.content if each.tag == "svg"):
        top, height = float(inner["y"]), float(inner["height"])
        beside = [(float(t["y"]) - 4 - top, number(t.text)) for t in lettering]
        (y0, value0), *_, (y1, value1) = [each for each in beside if -1 <= each[0] <= height + 1]
        slope = (value1 - value0) / (y1 - y0)
        yield {
            path["class"].split()[0] + path.one("title").text: [
                (float(x) / 1000, value0 + slope * (float(y) - y0))
                for x, y in re.findall(r"(-?[\d.]+) (-?[\d.]+)", path["d"])
            ]
            for path in inner.all("path")
        }


def assert_drawn(points, expected):
    """Within the tenth of a pixel that a path is rounded to, and what rounding the ticks adds."""
    np.testing.assert_allclose(points, expected, atol=0.06)


def test_it_stands_by_itself(text, page):
    assert text.startswith('<!DOCTYPE html>\n<html lang="en">')
    assert not re.search(r"https?:|//[a-z]|<script|url\(|@import|javascript:", text, re.IGNORECASE)
    assert not list(page.all("script", "link", "img", "iframe", "object", "b", "i"))
    assert not [name for node in page.all() for name in node.attributes if name.startswith("on")]
    assert page.one("meta", name="viewport")["content"].startswith("width=device-width")
    assert page.one("style").text.count("prefers-color-scheme: dark") == 1
    assert "@media print" in page.one("style").text


def test_names_stay_text(record, page):
    assert [song["song"] for song in record.report["songs"]][2] == TITLE
    assert page.one("h3", id="song-3").text == f"3. {TITLE}"
    assert REASON in page.one("main").text
    assert page.one("p", class_="notes").text == "Two lines,\n<i>no more</i>."


def test_headings_go_down_one_by_one(page):
    levels = [int(node.tag[1]) for node in page.all(*(f"h{n}" for n in range(1, 7)))]
    assert set(levels) == {1, 2, 3, 4}
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert max(np.diff(levels)) == 1


def test_whatever_is_pointed_at_is_there_once(page):
    ids = [node["id"] for node in page.all() if "id" in node.attributes]
    assert len(set(ids)) == len(ids)
    for node in page.all():
        for name in ("aria-labelledby", "aria-describedby"):
            assert set(node.attributes.get(name, "").split()) <= set(ids)
        if node.tag == "a":
            assert node["href"].removeprefix("#") in ids


def test_tables_have_heads_and_keys_reach_them(page):
    tables = list(page.all("table"))
    assert len(tables) == 7
    for table in tables:
        assert {head["scope"] for head in table.one("thead").all("th")} <= {"col", "colgroup"}
        assert [row.one("th")["scope"] for row in table.one("tbody").all("tr")]
        assert {head["scope"] for head in table.one("tbody").all("th")} == {"row"}
        assert table.parent["tabindex"] == "0"
        assert table.one("caption").text
        across = {sum(int(cell.attributes.get("colspan", 1)) for cell in row.content) for row in _rows(table)}
        assert len(across) == 1


def _rows(table):
    """The first row of the head, and all of the body."""
    return [next(table.one("thead").all("tr")), *table.one("tbody").all("tr")]


def test_every_figure_has_a_title_a_description_and_its_numbers(page):
    figures = list(page.all("figure"))
    assert len(figures) == 5
    for figure in figures:
        drawn = figure.one("svg", role="img")
        assert drawn.content[0].tag == "title"
        assert drawn["aria-labelledby"] == drawn.content[0]["id"]
        assert drawn.content[1].tag == "desc"
        assert figure.one("details").one("table")


def test_the_table_tells_what_the_report_tells(record, page):
    heads = [head.text for head in page.one("table", class_="record").one("thead").all("th")]
    rows = list(page.one("table", class_="record").one("tbody").all("tr"))
    departures = record.report["departures"]
    departing = {(each["number"], each["what"]): each["by"] for each in departures}
    assert {what for _, what in departing} >= {"drive", "loudness"}
    for song, row in zip(record.report["songs"], rows, strict=True):
        cells = dict(zip(heads, (cell.text for cell in row.content), strict=True))
        found = song["measured"]
        peak = found["true_peak_dbtp"] - found["integrated_lufs"]
        assert cells["No."] == str(song["number"])
        assert cells["Song"] == song["song"]
        assert number(cells["Trim dB"]) == song["drive"]["trim_db"] == 0
        for head, value, what in (
            ("Drive LUFS", song["drive"]["measured"], "drive"),
            ("LUFS", found["integrated_lufs"], "loudness"),
            ("dBTP", found["true_peak_dbtp"], None),
            ("Range LU", found["loudness_range_lu"], "loudness range"),
            ("Peak to loudness dB", peak, "peak to loudness"),
        ):
            shown, _, mark = cells[head].partition(" ")
            assert number(shown) == pytest.approx(value, abs=0.051)
            by = departing.get((song["number"], what), 0)
            assert mark == (f"{abs(by):.1f} {'over' if by > 0 else 'under'}" if by else "")
        counts = Counter(each["kind"] for each in departures if each["number"] == song["number"])
        told = [f"{kind} ({count})" if count > 1 else kind for kind, count in counts.items()]
        assert cells["Departs in"] == (", ".join(told) or "nothing")


def test_headline_figures(record, page):
    facts = dict(
        zip((each.text for each in page.all("dt")), (each.text for each in page.all("dd")), strict=True)
    )
    songs = record.report["songs"]
    lufs = [song["measured"]["integrated_lufs"] for song in songs]
    peak = max(song["measured"]["true_peak_dbtp"] for song in songs)
    assert facts["Songs"] == "3"
    assert facts["Playing time"] == "0:18"
    assert number(facts["Loudness as a whole"].split()[0]) == round(record.report["integrated_lufs"], 1)
    assert facts["Quietest to loudest, LUFS"].replace("−", "-") == f"{min(lufs):.1f} to {max(lufs):.1f}"
    assert number(facts["Highest true peak"].split()[0]) == round(peak, 1)
    departing = {each["song"] for each in record.report["departures"]}
    assert facts["Songs that depart"] == f"{len(departing)} of 3"
    assert facts["Songs with exceptions"] == "1"


def test_what_departs_and_what_would_bring_it_back(record):
    document = with_remedies_by_hand(record.report)
    found = _under(Tree(to_html(document)).root, "What departs")
    departures = document["departures"]
    assert len(departures) >= 5
    assert [each.text for each in found.all("h3")] == [
        song["song"]
        for song in document["songs"]
        if any(each["number"] == song["number"] for each in departures)
    ]
    entries = list(found.all("li"))
    for each, entry in zip(departures, entries, strict=True):
        sign = "+" if each["by"] > 0 else "−"
        heading = f"{each['what']} {sign}{abs(each['by']):.1f} {each['unit']} from the record"
        assert entry.text.startswith(heading)
        assert entry.text[len(heading) :].startswith(remedy_in_words(each).replace(" -", " −"))
    units = [each["unit"] for each in departures]
    brought = "hold.makeup_db = −2.5 brings it back, +0.0 {} from the other songs"
    more = ", and with it drive, loudness; but it moves reduction of <b> by −3.1 dB, loudness by +2.0 LU"
    best = "no single setting tried brought it back; the best, hold.makeup_db = −2.5, leaves it"
    code = '{"set": {"hold.makeup_db": -2.5}}'
    assert [each.text.partition("from the record")[2] for each in entries[:5]] == [
        f"{brought.format(units[0])}.{code}",
        f"{brought.format(units[1])}{more}.{code}",
        f"{best} +1.3 {units[2]} from the other songs.",
        "no single setting tried brought it back.",
        "nothing was tried: other departures of the song are worse.",
    ]


def _under(page, heading):
    (found,) = [each for each in page.all("section") if next(each.all("h2", "h3")).text == heading]
    return found


def test_the_text_has_a_line_for_each_departure_and_one_for_its_remedy(record):
    document = with_remedies_by_hand(record.report)
    lines = in_words(document).splitlines()
    for each in document["departures"]:
        at = lines.index(f"{each['song']}: {each['what']} {each['by']:+.1f} {each['unit']} from the record")
        assert lines[at + 1] == f"    {remedy_in_words(each)}"
    numbers = [each["number"] for each in document["departures"]]
    assert numbers == sorted(numbers)


def test_exceptions_stand_at_the_song_too(record, page):
    one, two, _ = (_under(page, f"{song['number']}. {song['song']}") for song in record.report["songs"])
    assert f"hold.ratio = 1.2; reason: {REASON}" in two.text
    assert "Exceptions" not in one.text


def test_the_reel_and_its_marks(record, page):
    reel = record.report["reel"]
    found = _under(page, "The reel")
    assert [each.text for each in found.all("code")] == [reel["file"], reel["cue_sheet"]]
    rows = [[cell.text for cell in row.content] for row in found.one("tbody").all("tr")]
    expected = [
        [str(n), song["song"], *(f"0:{song[key] / 48000:06.3f}" for key in ("start_frame", "frames"))]
        for n, song in enumerate(reel["songs"], 1)
    ]
    assert rows == expected
    without = {name: value for name, value in record.report.items() if name != "reel"}
    assert "The reel" not in Tree(to_html(without)).root.text


@pytest.mark.parametrize("name", ["balance", "width"])
def test_spectra_over_each_other(record, page, name):
    songs = record.report["songs"]
    wanted = {}
    for song in songs:
        rms = song["measured"]["rms_dbfs"]
        bands = [
            song["third_octaves_db"][hz] - rms if name == "balance" else song["mono_loss_db"][hz]
            for hz in NOMINAL_HZ
        ]
        wanted[f"song{song['number']} {song['song']}"] = bands
    middle = [median(values) for values in zip(*wanted.values(), strict=True)]
    wanted = {"medianmedian of the record": middle} | wanted
    (drawn,) = panels(page.one("svg", **{"aria-labelledby": f"{name}-plot-title"}))
    assert list(drawn) == list(wanted)
    for key, values in wanted.items():
        assert_drawn([value for _, value in drawn[key]], values)
        np.testing.assert_allclose([x for x, _ in drawn[key]], np.linspace(0, 1, 31), atol=1e-4)
    rows = body_rows(page.one("caption", id=f"{name}-numbers").parent)
    assert list(rows) == list(NOMINAL_HZ)
    np.testing.assert_allclose(list(rows.values()), np.transpose(list(wanted.values())), atol=0.051)


def test_songs_over_time(record, page):
    for song in record.report["songs"]:
        svg = page.one("svg", **{"aria-labelledby": f"song-{song['number']}-course-title"})
        loud, *reductions = panels(svg)
        lufs = song["short_term_lufs_each_s"]["values"]
        assert len(lufs) == 4
        assert_drawn(loud["loudshort-term loudness"], [((3 + k) / 6, value) for k, value in enumerate(lufs)])
        for stage, drawn in zip(song["dynamics"], reductions, strict=True):
            for kind, curve in (("deepest", "deep"), ("median", "middle")):
                steps = drawn[f"{curve}{kind} of each second"]
                expected = stage["reduction_db_each_s"][kind]
                assert_drawn([steps[0][1], steps[-1][1]], [0, 0])
                assert_drawn(steps[1:-1:2], [(k / 6, value) for k, value in enumerate(expected)])
                assert_drawn(steps[2:-1:2], [((k + 1) / 6, value) for k, value in enumerate(expected)])
        rows = body_rows(page.one("caption", id=f"song-{song['number']}-numbers").parent)
        assert list(rows) == [f"0:0{end}" for end in range(1, 7)]
        columns = np.transpose(list(rows.values()))
        assert columns[0][:2].tolist() == [None, None]
        np.testing.assert_allclose(columns[0][2:].astype(float), lufs, atol=0.051)
        found = [
            stage["reduction_db_each_s"][kind] for stage in song["dynamics"] for kind in ("median", "deepest")
        ]
        np.testing.assert_allclose(columns[1:].astype(float), found, atol=0.051)


def test_series_are_those_of_the_decision_log(record):
    for song in record.report["songs"]:
        (stage,) = [each for each in song["dynamics"] if each["stage"] == "hold"]
        hold = next(each for each in mix_bus(record, song) if each.get("name") == "hold")
        tenths = np.reshape(hold["did"]["reduction_db_10_per_s"], (-1, 10))
        assert np.ptp(tenths) > 0.3
        assert stage["reduction_db_each_s"]["deepest"] == tenths.max(axis=1).tolist()
        np.testing.assert_allclose(
            stage["reduction_db_each_s"]["median"], np.median(tenths, axis=1), atol=0.006
        )


def test_short_term_loudness_is_that_of_each_whole_second(record):
    for song, file in zip(record.report["songs"], mixes(record), strict=True):
        audio, rate_hz = sf.read(file, always_2d=True)
        meter = Meter(rate_hz, 2)
        meter.feed(audio)
        series = meter.short_term_series()
        found = dict(zip(series.times_s, series.lufs, strict=True))
        assert song["short_term_lufs_each_s"] == {
            "from_s": 3,
            "values": [round(found[end_s], 2) for end_s in (3, 4, 5, 6)],
        }


def mix_bus(record, song):
    log = json.loads(next((record.folder / song["folder"]).glob("*.decisions.json")).read_text())
    return log["places"][-1]["decisions"]


def test_a_stage_that_one_song_does_without_is_left_out_of_the_comparison(record):
    """The second song alone enters under -15 LUFS."""
    names = [[stage["stage"] for stage in song["dynamics"]] for song in record.report["songs"]]
    assert names[0] == names[2] == ["hold", *WITHIN, "limiter"]
    assert names[1] == ["quiet only", *names[0]]
    told = {each["what"] for each in record.report["departures"]}
    assert "reduction of hold" in told
    assert "reduction of limiter" not in told


def test_decisions_in_words(record, page):
    lists = [[entry.text for entry in each.all("li")] for each in page.all("ol")]
    for song, told in zip(record.report["songs"], lists, strict=True):
        quiet, hold, parallel, limiter = mix_bus(record, song)
        assert told == [
            f"{name}, {each['verdict']}: {each['why']}"
            for name, each in (
                ("quiet only (compressor)", quiet),
                ("hold (compressor)", hold),
                ("parallel", parallel),
                *zip(WITHIN, parallel["branches"][0]["decisions"], strict=True),
                ("limiter", limiter),
            )
        ]


def test_the_same_report_is_the_same_page(record, text):
    kept = json.loads((record.folder / "Lantern_Hours.album.json").read_text(encoding="utf-8"))
    assert to_html(kept) == text


def test_silence_has_a_page_too(record):
    document = copy.deepcopy(record.report)
    for song in document["songs"]:
        unknown = dict.fromkeys(song["measured"])
        song["measured"] = unknown | {"frames": 48000, "rate_hz": 48000}
        song["drive"]["measured"] = None
        song["third_octaves_db"] = song["mono_loss_db"] = dict.fromkeys(NOMINAL_HZ)
        song["short_term_lufs_each_s"]["values"] = [None]
        song["dynamics"] = []
    silent = Tree(to_html(document | {"integrated_lufs": None, "departures": []})).root
    assert "0:01; trimmed by 0.00 dB; leaves silent." in silent.text
    assert "Loudness as a wholesilent" in silent.text


def test_silence_within_a_song_is_a_gap(record):
    document = copy.deepcopy(record.report)
    document["songs"][0]["short_term_lufs_each_s"]["values"] = [-20.0, None, -18.0, -19.0]
    svg = Tree(to_html(document)).root.one("svg", **{"aria-labelledby": "song-1-course-title"})
    (loud,) = svg.all("path", class_="loud")
    assert re.fullmatch(r"M500\.0 \S+h\.1M833\.3 \S+L1000\.0 \S+", loud["d"])
