"""The page of a check in a browser, opened from disk: how it fits, what stands out, no network."""

from __future__ import annotations

import shutil

import pytest

from busproc.checking.check import check
from tests.browser.test_album_page import CONTRASTS, LEAST_CONTRAST
from tests.checking.test_report import TITLE, faulty

pytestmark = pytest.mark.browser

BOXES = """() => [...document.querySelectorAll("figure > svg")].map(
  (svg) => [...svg.querySelectorAll("text")].map((text) => text.getBoundingClientRect())
    .map((box) => [box.x + 1, box.y + 1, box.right - 1, box.bottom - 1]))"""


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = tmp_path_factory.mktemp("check")
    found = check(faulty(folder))
    file = folder / "page.html"
    file.write_text(found.page, encoding="utf-8")
    return file, found.as_dict()


@pytest.fixture(scope="module")
def browser(playwright):
    made = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
    yield made
    made.close()


@pytest.fixture
def page(browser, written):
    """What goes wrong or goes out is noted, and must be nothing in the end."""
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    faults, asked = [], []
    page.on("console", lambda message: faults.append(message.text))
    page.on("dialog", lambda dialog: (faults.append(dialog.message), dialog.dismiss()))
    page.on("request", lambda request: asked.append(request.url))
    page.goto(written[0].as_uri())
    yield page
    page.close()
    assert faults == []
    assert asked == [written[0].as_uri()]


@pytest.mark.parametrize("width", [360, 1280])
def test_nothing_hangs_over_the_side(page, width):
    page.set_viewport_size({"width": width, "height": 800})
    page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
    assert page.evaluate("document.documentElement.scrollWidth") == width


@pytest.mark.parametrize("width", [360, 1280])
def test_no_two_texts_of_a_picture_meet(page, width):
    """Neither ticks nor names; a box has 2 px of air."""
    page.set_viewport_size({"width": width, "height": 800})
    boxes = page.evaluate(BOXES)
    assert len(boxes) == 3
    for of_one in boxes:
        for n, (left, top, right, bottom) in enumerate(of_one):
            for other in of_one[:n]:
                apart = right <= other[0] or other[2] <= left or bottom <= other[1] or other[3] <= top
                assert apart, (other, of_one[n])


def test_findings_come_first_and_the_pictures_have_names(page, written):
    assert page.get_by_role("heading", level=1).text_content() == f"{TITLE}, before the mix"
    told = page.locator("ol.findings > li").all_text_contents()
    assert len(told) == len(written[1]["findings"])
    for each, finding in zip(told, written[1]["findings"], strict=True):
        assert finding["words"] in each
    for name in (
        "What is hidden, stem by band",
        "The worst pairs over time",
        "The sum of drum under and drum",
    ):
        assert page.get_by_role("img", name=name).count() == 1
    stems = len(written[1]["masking"]["against_rest"])
    assert page.locator("svg .row").count() == stems


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_stands_out_in_both_schemes(page, scheme):
    page.emulate_media(color_scheme=scheme)
    found = page.evaluate(CONTRASTS)
    assert len(found) > 100
    assert min(found)[0] >= LEAST_CONTRAST
