"""The page of a comparison: well formed, complete, drawn where its numbers say, and safe."""

from __future__ import annotations

import copy
import re

import pytest

from busproc.comparing.page import to_html
from tests.album.test_page import Tree
from tests.comparing.test_compare import copied, unlike

pytestmark = pytest.mark.slow

__all__ = ["copied", "unlike"]


@pytest.fixture(scope="module")
def tree(unlike):
    return Tree(unlike.page).root


def test_the_page_stands_by_itself(unlike, copied):
    for page in (unlike.page, copied.page):
        root = Tree(page).root
        assert not list(root.all("script", "link", "img", "iframe"))
        assert not re.search(r"https?:|url\(|@import| on\w+=", page)
        assert "default-src 'none'" in page
        ids = [node["id"] for node in root.all() if "id" in node.attributes]
        assert len(set(ids)) == len(ids)


def test_names_are_text(tree):
    assert not list(tree.all("b"))
    assert "<b>dark & soft" in tree.text


def test_findings_and_remarks_come_first(unlike, tree):
    first = next(tree.all("section")).text
    for each in [*unlike.document["findings"], *unlike.document["remarks"]]:
        assert each in first


def test_every_figure_and_move_has_its_row(unlike, tree):
    rows = [node.text for node in tree.all("tr")]
    for each in unlike.document["figures"]:
        assert any(row.startswith(f"{each['what']}, {each['band'].replace('_', ' ')}") for row in rows)
    for each in unlike.document["moves"]["tried"]:
        assert any(row.startswith(each["words"]) for row in rows)


def test_the_chain_on_the_page_is_the_chain(copied):
    shown = Tree(copied.page).root.one("pre").text
    assert f"{shown}\n" == copied.chain_text


def drawn(root, style, title, panel=0):
    """Points of the curve of a title in the first panel that has it, or in a later one."""
    paths = [node for node in root.all("path", class_=style) if node.one("title").text == title]
    return [tuple(map(float, pair)) for pair in re.findall(r"[ML]([\d.-]+) ([\d.-]+)", paths[panel]["d"])]


def test_the_difference_is_drawn_where_it_lies(unlike, tree):
    rows = [(n, row) for n, row in enumerate(unlike.document["balance"]) if row["difference"] is not None]
    points = drawn(tree, "ours", "the mix less the median")
    assert [x for x, _ in points] == pytest.approx([1000 * n / 30 for n, _ in rows], abs=0.1)
    pixels_per_db = (points[0][1] - points[-1][1]) / (rows[-1][1]["difference"] - rows[0][1]["difference"])
    expected = [90 - pixels_per_db * row["difference"] for _, row in rows]  # 0 dB in the middle of 180 px
    assert [y for _, y in points] == pytest.approx(expected, abs=0.5)
    bars = drawn(tree, "range", "range of the references", panel=1)
    ends = [row[end] - row["median"] for _, row in rows for end in ("lowest", "highest")]
    assert [y for _, y in bars] == pytest.approx([90 - pixels_per_db * end for end in ends], abs=0.5)


def test_a_comparison_without_moves_or_values_has_a_page_too(copied):
    document = copy.deepcopy(copied.document)
    document["moves"] |= {"tried": [], "chain": None, "curve_db": {}}
    document["findings"] = []
    document["mix"]["brightness_hz_each_s"] = [None] * 24
    nothing = dict.fromkeys(("mix", "median", "lowest", "highest", "difference", "outside"))
    for row in (*document["balance"], *document["figures"]):
        row.update(nothing)
    text = Tree(to_html(document)).root.text
    assert "Nothing lies outside the references" in text
    assert "No move that was tried" in text


def test_the_same_document_gives_the_same_page(unlike):
    assert to_html(unlike.document) == unlike.page
