"""The page of a record in a browser, opened from disk: how it fits, keys, roles, contrast, no network."""

from __future__ import annotations

import shutil

import pytest

from busproc.album.page import to_html
from tests.album.test_page import REASON, TITLE, hostile_record, with_remedies_by_hand

pytestmark = pytest.mark.browser

WIDTHS = (360, 768, 1280)
LEAST_CONTRAST = 4.5
"""WCAG 2.2, success criterion 1.4.3."""
CONTRASTS = """() => {
  const channels = (color) => color.match(/[\\d.]+/g).map(Number);
  const luminance = (color) => {
    const [r, g, b] = channels(color).map((c) => c / 255)
      .map((c) => (c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4));
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const behind = (node) => {
    for (let at = node; at; at = at.parentElement) {
      const color = getComputedStyle(at).backgroundColor;
      const alpha = channels(color)[3] ?? 1;
      if (alpha === 1) return color;
      if (alpha > 0) throw new Error(`${color} is seen through`);
    }
    throw new Error("nothing behind");
  };
  const says = (node) => [...node.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
  document.querySelectorAll("details").forEach((each) => { each.open = true; });
  return [...document.querySelectorAll("body *")].filter(says)
    .filter((node) => !["title", "desc"].includes(node.tagName)).map((node) => {
      const style = getComputedStyle(node);
      const ink = node.namespaceURI.endsWith("svg") ? style.fill : style.color;
      const [dark, light] = [luminance(ink), luminance(behind(node))].sort((a, b) => a - b);
      return [(light + 0.05) / (dark + 0.05), node.tagName, node.textContent];
    });
}"""
FOCUSED = """() => {
  const node = document.activeElement;
  if (node === document.body) return null;
  const style = getComputedStyle(node);
  const all = [...document.querySelectorAll("a, summary, [tabindex]")];
  return [all.indexOf(node), style.outlineStyle, parseFloat(style.outlineWidth)];
}"""


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = tmp_path_factory.mktemp("record")
    document = with_remedies_by_hand(hostile_record(folder).report)
    file = folder / "page.html"
    file.write_text(to_html(document), encoding="utf-8")
    return file, document


@pytest.fixture
def page(playwright, written, tmp_path):
    """Nothing kept of other tests. What goes wrong or goes out is noted, and must be nothing in the end."""
    context = playwright.chromium.launch_persistent_context(
        tmp_path / "user", executable_path=shutil.which("chromium"), viewport={"width": 1280, "height": 900}
    )
    faults, asked = [], []
    context.on("console", lambda message: faults.append(message.text))
    context.on("weberror", lambda error: faults.append(str(error.error)))
    context.on("dialog", lambda dialog: (faults.append(dialog.message), dialog.dismiss()))
    context.on("request", lambda request: asked.append(request.url))
    page = context.pages[0]
    page.goto(written[0].as_uri())
    yield page
    context.close()
    assert faults == []
    assert asked == [written[0].as_uri()]


def test_it_opens_from_disk_and_asks_for_nothing(page, written):
    assert page.title() == "Lantern Hours: the record in figures"
    assert page.get_by_role("heading", level=1).text_content() == written[1]["album"]


@pytest.mark.parametrize("width", WIDTHS)
def test_nothing_hangs_over_the_side(page, width):
    """Also with all numbers shown; a table that is wider scrolls within itself."""
    page.set_viewport_size({"width": width, "height": 800})
    page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
    assert page.evaluate("document.documentElement.scrollWidth") == width
    inner = page.evaluate(
        "[...document.querySelectorAll('.scroll')].map((each) => [each.clientWidth, each.scrollWidth])"
    )
    assert (max(wide - seen for seen, wide in inner) > 0) or width > WIDTHS[0]


def test_names_that_look_like_markup_are_text(page):
    assert page.get_by_role("heading", name=f"3. {TITLE}", exact=True).count() == 1
    assert page.locator("script, b, i").count() == 0
    assert page.get_by_text(REASON).count() == 2


def test_headings_tables_and_figures_by_their_roles(page, written):
    sections = [each.text_content() for each in page.get_by_role("heading", level=2).all()]
    assert sections == [
        "In short",
        "The songs beside each other",
        "What departs",
        "Exceptions",
        "Balance",
        "Width by band",
        "The reel",
        "Song by song",
    ]
    songs = written[1]["songs"]
    table = page.get_by_role("table", name="All songs; over and under are against the median of the record")
    assert table.get_by_role("row").count() == 1 + len(songs)
    assert table.get_by_role("rowheader").all_text_contents() == [song["song"] for song in songs]
    assert "Departs in" in table.get_by_role("columnheader").all_text_contents()
    for figure in ("Level of each third octave against", "What folding to mono costs in each third octave"):
        assert page.get_by_role("img", name=figure).count() == 1
    for song in songs:
        assert page.get_by_role("img", name=f"{song['song']} over time", exact=True).count() == 1
        assert page.get_by_role("region", name=f"{song['number']}. {song['song']}", exact=True).count() == 1


def test_keys_reach_all_there_is_to_reach_and_show_where_they_are(page):
    wanted = page.locator("a, summary, [tabindex]").evaluate_all(
        "(all) => all.flatMap((each, n) => (each.checkVisibility() ? [n] : []))"
    )
    reached = []
    for _ in wanted:
        page.keyboard.press("Tab")
        n, outline, width = page.evaluate(FOCUSED)
        reached.append(n)
        assert outline != "none"
        assert width >= 2
    assert reached == wanted
    assert len(wanted) > 10


def test_keys_open_numbers_and_scroll_a_wide_table(page):
    page.set_viewport_size({"width": 360, "height": 800})
    region = page.get_by_role("region", name="All songs; over and under are against the median of the record")
    region.focus()
    page.keyboard.press("ArrowRight")
    page.wait_for_function("document.activeElement.scrollLeft > 0")
    numbers = page.locator("details").first
    numbers.locator("summary").focus()
    page.keyboard.press("Enter")
    assert numbers.get_by_role("table").is_visible()


def test_a_song_is_one_key_away(page, written):
    song = written[1]["songs"][1]
    page.get_by_role("table").first.get_by_role("link", name=song["song"], exact=True).focus()
    page.keyboard.press("Enter")
    heading = page.get_by_role("heading", name=f"{song['number']}. {song['song']}", exact=True)
    page.wait_for_function("window.scrollY > 0")
    assert 0 <= heading.bounding_box()["y"] < 100


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_stands_out_in_both_schemes(page, scheme):
    page.emulate_media(color_scheme=scheme)
    paper = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert (paper == "rgb(255, 255, 255)") == (scheme == "light")
    found = page.evaluate(CONTRASTS)
    assert len(found) > 300
    assert min(found)[0] >= LEAST_CONTRAST


def test_on_paper_it_is_black_on_white_and_whole(page, tmp_path):
    page.emulate_media(media="print", color_scheme="dark")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert min(page.evaluate(CONTRASTS))[0] >= LEAST_CONTRAST
    page.emulate_media(media=None)
    printed = page.pdf(path=tmp_path / "page.pdf", format="A4")
    assert printed.startswith(b"%PDF")
