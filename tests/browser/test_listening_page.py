"""The listening page in a browser: keys, pictures, what is loaded, what is refused, every width."""

from __future__ import annotations

import math
import socket
from itertools import pairwise

import numpy as np
import pytest

from busproc.shootouts.listening import Listening, write_page
from tests.browser.steps import checked, seen, status
from tests.shootouts.test_listening import HOSTILE, LISTENING, marked

pytestmark = pytest.mark.browser

COUNTED = 2**18


def test_it_starts_low_and_a_reload_turns_it_down_again(page):
    assert page.evaluate("player.volume_db") == -30
    page.locator("#volume").fill("-6")
    assert page.locator("#volume-db").inner_text() == "−6 dB"
    page.click("#play")
    status(page, "Now hearing")
    assert page.evaluate("player.master.gain.value") == pytest.approx(10 ** (-6 / 20), rel=1e-6)
    page.locator("#volume").fill("-60")
    page.wait_for_timeout(300)
    assert page.evaluate("player.master.gain.value") == pytest.approx(1e-3, rel=1e-2)
    page.locator("#volume").fill("0")
    page.goto("about:blank")
    page.go_back()
    assert page.locator("#volume").input_value() == "-30"
    page.click("#play")
    status(page, "Now hearing")
    assert page.evaluate("player.master.gain.value") == pytest.approx(10 ** (-30 / 20), rel=1e-6)


def test_by_keys_alone(page):
    page.keyboard.press("3")
    assert checked(page) == "2"
    status(page, f"Stopped; chosen: {HOSTILE}")
    page.keyboard.press("Space")
    status(page, f"Now hearing: {HOSTILE}")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    status(page, "Now hearing: untouched")
    page.keyboard.press("ArrowLeft")
    assert checked(page) == "3"
    page.locator("#heard-1").focus()
    page.keyboard.press("ArrowUp")
    status(page, "Now hearing: untouched")
    assert page.evaluate("document.activeElement.id") == "heard-0"
    page.keyboard.press("Space")
    status(page, "Stopped")
    page.locator("#from").focus()
    page.keyboard.press("2")
    assert checked(page) == "0"
    page.keyboard.press("9")
    assert page.evaluate("player.state") == "stopped"


def test_every_element_that_takes_the_focus_shows_it_and_has_a_name(page):
    order = []
    for _ in range(10):
        page.keyboard.press("Tab")
        named = page.evaluate("document.activeElement.id || document.activeElement.textContent")
        order.append(named)
        shown = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
        assert shown == "solid", named
    controls = ["play", "volume", "from", "to", "whole", "song", "passage", "heard-0"]
    assert order == ["With names", "Blind, 3 trials", *controls]
    for role, name in (
        *(("slider", "Volume"), ("spinbutton", "Loop from"), ("spinbutton", "to")),
        *(("combobox", "Song"), ("combobox", "Passage"), ("radio", "slower, once more")),
    ):
        assert page.get_by_role(role, name=name).count() == 1, name


def test_the_list_says_what_is_heard_and_what_it_would_have_gained(page):
    assert page.locator(".now").all_inner_texts() == [""] * 4
    page.keyboard.press("2")
    page.keyboard.press("Space")
    status(page, "Now hearing: slower")
    assert page.locator(".now").all_inner_texts() == ["", "now hearing", "", ""]
    gained = "Level gained before matching: {} LU"
    assert page.locator(".gained").all_inner_texts() == [
        *("", gained.format("+1.3"), gained.format("0.0"), gained.format("+1.3"))
    ]
    page.select_option("#passage", "1")
    assert page.locator(".gained").all_inner_texts() == [
        "",
        gained.format("+0.5"),
        gained.format("0.0"),
        gained.format("+0.5"),
    ]
    page.select_option("#song", "1")
    status(page, "Stopped; chosen: slower")
    assert page.locator(".gained").all_inner_texts() == ["", gained.format("−0.5"), "", gained.format("−0.5")]
    assert page.locator("#passage option").all_inner_texts() == [f"{HOSTILE}, 0:00 to 0:01"]
    page.keyboard.press("Tab")
    page.click("#play")
    status(page, "Now hearing: slower")
    assert page.evaluate("[player.context.sampleRate, player.names[1], player.length_s]") == [
        44100,
        "2-1-2",
        1,
    ]


def test_only_what_is_wanted_is_loaded(page, browser):
    assert not [url for url in browser.asked if "sounds/" in url]
    page.select_option("#passage", "1")
    page.click("#play")
    status(page, "Now hearing")
    loaded = [url.rpartition("/")[2] for url in browser.asked if "sounds/" in url]
    assert loaded == [f"1-2-{v}.js" for v in (1, 2, 3, 4)]


def test_what_is_asked_for_while_sounds_are_loading_counts(page):
    page.evaluate("() => { player.play(); player.stop(); }")
    page.wait_for_timeout(800)
    assert page.evaluate("[player.state, player.run]") == ["stopped", None]
    page.evaluate("() => { player.play(); player.mark(0.5, 1); player.hear(2); }")
    status(page, f"Now hearing: {HOSTILE}")
    assert page.evaluate("[player.run.offset_s, player.run.loop.to_s, player.run.heard]") == [0.5, 1, 2]
    page.evaluate("() => { player.take(player.names, 48000, 96000); player.play(); }")
    page.select_option("#song", "1")
    page.wait_for_timeout(800)
    assert page.evaluate("[player.state, player.rate_hz]") == ["stopped", 44100]


def test_marking_the_loop(page):
    def loop():
        return page.evaluate("[player.loop.from_s, player.loop.to_s]")

    page.fill("#from", "0.5")
    page.fill("#to", "1.25")
    page.keyboard.press("Tab")
    assert loop() == [0.5, 1.25]
    page.click("#play")
    status(page, "Now hearing")
    places = []
    for _ in range(12):
        page.wait_for_timeout(100)
        places.append(page.evaluate("player.place()"))
    assert min(places) >= 0.5
    assert max(places) < 1.25
    assert any(later < earlier for earlier, later in pairwise(places))
    page.fill("#to", "0")
    page.keyboard.press("Tab")
    assert loop() == pytest.approx([0.5, 0.6])
    page.click("#whole")
    assert loop() == [0, 2]

    box = page.locator("#pictures .touched").first.bounding_box()
    page.mouse.move(box["x"] + 0.75 * box["width"], box["y"] + 60)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.25 * box["width"], box["y"] + 60)
    page.mouse.up()
    assert loop() == pytest.approx([0.5, 1.5], abs=0.01)
    page.click("#play")
    status(page, "Stopped")
    page.mouse.click(box["x"] + 0.5 * box["width"], box["y"] + 60)
    status(page, "Now hearing")
    assert page.evaluate("player.run.offset_s") == pytest.approx(1.0, abs=0.01)


def test_pictures_are_those_of_what_is_heard(page):
    """Every path is drawn from the numbers of the variation, on the scales of the passage."""
    page.keyboard.press("2")
    pictures = page.locator("#pictures")
    assert pictures.locator("h3").inner_text() == "slower"
    wave = pictures.locator(".wave").get_attribute("d")
    points = np.array([pair.split() for pair in wave.strip("MZ").split("L")], float)
    sound = marked(0, 0, "slow").sound.reshape(600, -1)
    scale = np.array([*(sound.max(axis=1)), *(sound.min(axis=1)[::-1])])
    edge = math.ceil(100 * 95_999 / COUNTED / 5) * 5 / 100
    np.testing.assert_allclose(points[:, 1], (edge - scale) / (2 * edge) * 110, atol=0.2)
    np.testing.assert_allclose(points[:600, 0], np.linspace(0, 1000, 600), atol=0.06)
    assert "Gain reduction: 0.5 dB at most, 0.5 dB half of the time." in pictures.inner_text()
    assert "Against it, from 0.0 dB at 20 Hz to +1.0 dB at 1000 Hz." in pictures.inner_text()
    page.keyboard.press("1")
    assert pictures.locator("h3").inner_text() == "untouched"
    assert "No gain reduction." in pictures.inner_text()
    assert pictures.locator("svg .untouched").count() == 0


def test_the_cursor_is_where_the_sound_is(page):
    page.click("#play")
    status(page, "Now hearing")
    page.wait_for_timeout(500)
    at, place = page.evaluate(
        """new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() =>
          done([Number(document.querySelector(".cursor").getAttribute("x1")), player.place()]))))"""
    )
    assert at / 1000 * 2 == pytest.approx(place, abs=0.05)
    assert 0.1 < place < 2


def test_nothing_slipped_in_runs_and_nothing_goes_out(browser, written):
    page = browser.pages[0]
    page.goto(written.as_uri())
    with socket.create_server(("127.0.0.1", 0)) as outside:
        outside.settimeout(0.5)
        slipped, refused = page.evaluate(
            """async (outside) => {
              const refused = [];
              addEventListener("securitypolicyviolation", (event) => refused.push(event.effectiveDirective));
              const script = document.createElement("script");
              script.textContent = "window.slipped = 1";
              document.body.append(script);
              const box = document.createElement("div");
              box.innerHTML = '<img src="data:," onerror="window.slipped = 2"><p style="color: red">';
              document.body.append(box);
              const far = document.createElement("script");
              far.src = outside;
              document.body.append(far);
              await fetch(outside, {signal: AbortSignal.timeout(300)}).catch(() => {});
              await new Promise((done) => setTimeout(done, 300));
              return [window.slipped, refused];
            }""",
            f"http://127.0.0.1:{outside.getsockname()[1]}/a.js",
        )
        with pytest.raises(TimeoutError):
            outside.accept()
    assert slipped is None
    wanted = {"connect-src", "script-src-elem", "script-src-attr", "img-src", "style-src-attr"}
    assert set(refused) == wanted


def test_a_sound_that_is_missing_or_broken_is_told(browser, tmp_path):
    written, *_ = write_page(LISTENING, marked, tmp_path / "page")
    sounds = written.parent / "sounds"
    page = browser.pages[0]
    page.goto(written.as_uri())
    (sounds / "1-1-3.js").rename(tmp_path / "aside.js")
    page.click("#play")
    status(page, "Stopped: sounds/1-1-3.js cannot be read")
    (sounds / "1-1-3.js").write_text('AUDIO("1-1-3","AAAA");\n')
    page.click("#play")
    status(page, "Stopped: a sound cannot be decoded")
    (tmp_path / "aside.js").rename(sounds / "1-1-3.js")
    page.click("#play")
    status(page, "Now hearing: untouched")


@pytest.mark.parametrize("width", [360, 768, 1280])
def test_at_every_width(page, width):
    page.set_viewport_size({"width": width, "height": 740})
    for view in ("#named", "#blind"):
        page.goto(f"{page.url.partition('#')[0]}{view}")
        assert page.evaluate("document.documentElement.scrollWidth") == width
    for box in page.locator("button:visible").all():
        assert box.bounding_box()["height"] >= 36


def test_dark_and_on_paper(page):
    def background():
        return page.evaluate("getComputedStyle(document.body).backgroundColor")

    assert background() == "rgb(255, 255, 255)"
    page.emulate_media(color_scheme="dark")
    assert background() == "rgb(22, 24, 26)"
    page.emulate_media(media="print")
    assert background() == "rgb(255, 255, 255)"
    assert not seen(page, "#play")
    assert seen(page, "#variations")
    assert seen(page, "#pictures")


def test_without_trials_there_is_one_view(browser, tmp_path):
    parts = {name: getattr(LISTENING, name) for name in ("title", "notes", "songs", "variations")}
    page = browser.pages[0]
    page.goto(write_page(Listening(**parts), marked, tmp_path / "page")[0].as_uri() + "#blind")
    assert seen(page, "#variations")
    page.keyboard.press("Space")
    status(page, "Now hearing: untouched")
    assert browser.faults == []
