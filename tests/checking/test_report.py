"""A healthy session and one full of faults: what is said of them as JSON, in words and on the page."""

from __future__ import annotations

import json
import re
from collections import Counter
from html.parser import HTMLParser

import numpy as np
import pytest

from busproc.checking.check import check
from busproc.checking.page import to_html
from busproc.demo import make_demo
from busproc.files import AudioReader
from tests.checking.sessions import SECONDS, band, microphones
from tests.songs import RATE_HZ, write_session

pytestmark = pytest.mark.slow

DEMO_S = 12
RESTS = {"strings"}
"""The demo's strings do not play before its twelfth second: silence that is so, and told."""
TITLE = '<script>alert(1)</script> & "quotes"'


class Parts(HTMLParser):
    def __init__(self, text):
        super().__init__()
        self.open, self.tags, self.ids = [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.ids += [value for name, value in attrs if name == "id"]
        if tag not in {"meta", "br"}:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def faulty(folder):
    """Two microphones, and a reed that an organ hides."""
    stems = microphones() | {
        "reed": band(650, 1000, 13, -36),
        "organ": band(600, 1080, 11, -26) + band(3000, 7000, 12, -28),
    }
    return write_session(folder, stems, song=TITLE)


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    return check(faulty(tmp_path_factory.mktemp("faulty")))


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """The first seconds of the demo."""
    session = make_demo(tmp_path_factory.mktemp("demo"))
    stems = {}
    for file in (session.parent / "stems").glob("*.wav"):
        with AudioReader(file) as reader:
            stems[file.stem] = reader.read(DEMO_S * RATE_HZ)
    write_session(session.parent / "stems", stems)  # over the whole ones
    for file in (session.parent / "hits").glob("*.json"):
        document = json.loads(file.read_text())
        document["hits"] = [hit for hit in document["hits"] if hit["at_s"] < DEMO_S]
        file.write_text(json.dumps(document))
    return session


def test_a_healthy_session_has_no_fault_but_the_one_stated(demo):
    healthy = check(demo)
    assert {(each.kind, each.stems) for each in healthy.findings} == {("silence", (name,)) for name in RESTS}
    stems = [stem for stem in json.loads(demo.read_text())["stems"] if "reinforce" not in stem]
    groups = Counter(stem["group"] for stem in stems if "group" in stem)
    assert len(healthy.as_dict()["phase"]) == sum(n * (n - 1) // 2 for n in groups.values()) >= 6


def test_where_nothing_needs_doing_it_says_so(tmp_path):
    stems = {"low": band(60, 200, 1), "middle": band(300, 900, 2), "high": band(1500, 5000, 3)}
    found = check(write_session(tmp_path, stems))
    assert found.findings == ()
    assert found.as_dict()["needs_doing"] is False
    assert "Nothing needs doing: 3 stems" in found.in_words()
    assert "Nothing needs doing" in found.page
    assert found.write_remedies(tmp_path) == []


def test_what_costs_nothing_is_told_as_such(tmp_path):
    """Stereo that holds one sound needs no more than a smaller file."""
    viol = band(300, 900, 2)
    found = check(write_session(tmp_path, {"low": band(60, 200, 1), "viol": np.repeat(viol, 2, axis=1)}))
    (fault,) = found.findings
    assert (fault.kind, fault.needs_doing) == ("one_sound", False)
    document = found.as_dict()
    assert (document["needs_doing"], document["findings"][0]["needs_doing"]) == (False, False)
    for told in (found.in_words(), found.page):
        assert "Nothing needs doing: 2 stems" in told
        assert "1 finding costs the mix nothing" in told
        assert re.search("[Cc]osts the mix nothing and may stay", told)


def test_beside_what_costs_something_the_rest_is_counted_apart(tmp_path):
    stems = {"low": band(60, 200, 1, -32) + 0.002, "viol": np.repeat(band(300, 900, 2), 2, axis=1)}
    found = check(write_session(tmp_path, stems))
    assert [each.kind for each in found.findings] == ["dc", "one_sound"]
    assert found.as_dict()["needs_doing"] is True
    assert "1 finding in 2 stems" in found.in_words()
    assert "and 1 more that costs the mix nothing" in found.in_words()
    assert 0 < found.findings[0].cost < 0.001
    assert "costs less than 0.1 % of the mix" in found.in_words()


@pytest.mark.parametrize("frames", [1, 480, 30000])
@pytest.mark.parametrize("level", [0.0, 0.1])
def test_next_to_nothing_is_taken(tmp_path, frames, level):
    sound = level * np.random.default_rng(1).standard_normal((frames, 2))
    found = check(write_session(tmp_path, {"reed one": sound, "reed two": sound[::-1]}))
    assert {each.kind for each in found.findings} <= {"silence", "double"}
    assert found.page
    assert found.in_words()


def test_findings_stand_in_the_order_of_their_cost(found):
    kinds = {each["kind"] for each in found.as_dict()["findings"]}
    assert kinds == {"phase", "masking"}
    costs = [each["cost"] for each in found.as_dict()["findings"]]
    assert costs == sorted(costs, reverse=True)
    assert found.as_dict()["needs_doing"] is True


def test_it_is_json_and_the_same_again(found, tmp_path):
    text = json.dumps(found.as_dict(), allow_nan=False)
    assert json.loads(text)["format"] == "busproc-check/1"
    assert json.dumps(check(faulty(tmp_path)).as_dict(), allow_nan=False) == text


def test_words_tell_every_finding_what_was_tried_and_what_to_paste(found):
    words = found.in_words()
    for number, each in enumerate(found.as_dict()["findings"], 1):
        assert re.search(rf"^{number}\. .*{re.escape(each['words'])}$", words, re.MULTILINE)
        assert json.dumps(each["suggestion"]) in words
        for trial in each["tried"]:
            assert trial["words"] in words


def test_the_page_is_well_formed_and_tells_findings_first(found):
    parts = Parts(found.page)
    assert parts.open == []
    assert len(parts.ids) == len(set(parts.ids))
    assert "script" not in parts.tags
    assert not re.search(r"https?://|src=|@import|url\(", found.page)
    heads = re.findall(r"<h2>(.*?)</h2>", found.page)
    assert heads == [
        "In short",
        "Findings, the most costly first",
        "Phase between stems of one source",
        "What hides what",
        "What was heard",
    ]


def test_what_looks_like_markup_is_text(found):
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in found.page


def test_every_cell_of_the_picture_shows_its_number(found):
    cells = re.findall(
        r'fill-opacity="([\d.]+)" class="cell"><title>([^<]*), (\d+) Hz: ([\d.]+)<', found.page
    )
    rows = {each["stem"]: each for each in found.as_dict()["masking"]["against_rest"]}
    freqs = [f"{hz:.0f}" for hz in found.as_dict()["masking"]["freqs_hz"]]
    assert {name for _, name, _, _ in cells} == set(rows)
    for opacity, name, hz, told in cells:
        loss = rows[name]["loss_by_band"][freqs.index(hz)]
        assert float(opacity) == float(told) == pytest.approx(loss, abs=0.006)


def test_the_worst_pairs_are_shown_by_second(found):
    masking = found.as_dict()["masking"]
    assert len(masking["by_second"]) == len(masking["pairs"])
    pair = next(n for n, each in enumerate(masking["pairs"]) if each["masked"] == "reed")
    seconds = masking["by_second"][pair]
    assert len(seconds) == SECONDS
    assert seconds[int(masking["pairs"][pair]["worst_s"][0])] > max(seconds) - 0.01


def test_the_same_document_gives_the_same_page(found):
    assert to_html(found.as_dict()) == found.page
    assert to_html(json.loads(json.dumps(found.as_dict()))) == found.page
