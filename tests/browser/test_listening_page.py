"""The listening page in a browser, opened from disk: what is heard sample by sample, keys, blind trials."""

from __future__ import annotations

import json
import math
import shutil
import socket
from itertools import pairwise

import numpy as np
import pytest
from tests.shootouts.test_listening import HOSTILE, LISTENING, RATE_HZ, TRIALS, VARIATIONS, marked

from busproc.shootouts.listening import Listening, write_page

pytestmark = pytest.mark.browser

FADE = round(0.010 * RATE_HZ)
COUNTED = 2**18
RENDER = """async ({names, loop, when, offset_s, switches, frames}) => {
  const context = new OfflineAudioContext(2, frames, 48000);
  const buffers = await soundsOf(names, context, () => true);
  const run = startTogether(context, context.destination, buffers, 0, loop, when, offset_s);
  for (const [heard, at] of switches) crossFade(run, heard, at);
  const rendered = await context.startRendering();
  return [0, 1].map((side) => Array.from(rendered.getChannelData(side)));
}"""
TAP = """async () => {
  const code = `registerProcessor("tap", class extends AudioWorkletProcessor {
    constructor() {
      super();
      this.kept = [];
      this.port.onmessage = () => this.port.postMessage(this.kept);
    }
    process([input]) {
      if (input.length) this.kept.push([currentFrame, input[0].slice(), input.at(-1).slice()]);
      return true;
    }
  })`;
  player.opened();
  await player.context.audioWorklet.addModule(`data:text/javascript,${encodeURIComponent(code)}`);
  window.tap = new AudioWorkletNode(player.context, "tap");
  player.master.connect(window.tap);
}"""
TAPPED = """() => new Promise((done) => {
  const side = (kept, n) => kept.flatMap((block) => Array.from(block[n]));
  window.tap.port.onmessage = ({data: kept}) =>
    done([kept.map(([frame]) => frame), side(kept, 1), side(kept, 2)]);
  window.tap.port.postMessage("all");
})"""


def launched(playwright, folder, **options):
    return playwright.chromium.launch_persistent_context(
        folder, executable_path=shutil.which("chromium"), **options
    )


@pytest.fixture(scope="module")
def playwright():
    api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    if not shutil.which("chromium"):
        pytest.skip("there is no chromium on the path")
    with api.sync_playwright() as started:
        yield started


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    return write_page(LISTENING, marked, tmp_path_factory.mktemp("page"))


@pytest.fixture
def browser(playwright, tmp_path):
    """Fresh each time: nothing kept of other tests. What goes wrong or goes out is noted."""
    context = launched(playwright, tmp_path / "user", viewport={"width": 1280, "height": 900})
    context.faults, context.asked = [], []
    context.on("console", lambda message: context.faults.append(message.text))
    context.on("weberror", lambda error: context.faults.append(str(error.error)))
    context.on("request", lambda request: context.asked.append(request.url))
    yield context
    context.close()


@pytest.fixture
def page(browser, written):
    page = browser.pages[0]
    page.goto(written.as_uri())
    yield page
    assert browser.faults == []
    beside = written.parent.as_uri()
    own = {url for url in browser.asked if url.startswith(f"{beside}/")}
    assert own == {url for url in browser.asked if not url.startswith("blob:")}


def status(page, text):
    page.locator("#status", has_text=text).wait_for(timeout=10_000)


def seen(page, selector):
    return page.locator(selector).is_visible()


def checked(page, name="heard"):
    return page.locator(f"[name={name}]:checked").input_value()


def test_switching_in_the_page_s_own_graph_sample_by_sample(page):
    """The left side counts frames in every variation: wherever it departs, there is a gap, a jump or a level.

    Two switches are asked for in one cross-fade's time, and the loop wraps within one.
    """
    loop, when, offset = (12_000, 36_000), 4_800, 24_000
    asked = [(1, 9_600), (2, 14_400), (0, 14_500), (3, 40_700), (0, 60_000)]
    frames = 72_000
    rendered = page.evaluate(
        RENDER,
        {
            "names": ["1-1-1", "1-1-2", "1-1-3", "1-1-4"],
            "loop": {"from_s": loop[0] / RATE_HZ, "to_s": loop[1] / RATE_HZ},
            "when": when / RATE_HZ,
            "offset_s": offset / RATE_HZ,
            "switches": [(heard, at / RATE_HZ) for heard, at in asked],
            "frames": frames,
        },
    )
    left, right = np.array(rendered)
    at = np.arange(frames)
    place = offset + at - when
    place = np.where(place < loop[1], place, loop[0] + (place - loop[0]) % (loop[1] - loop[0]))
    begun = np.clip((at - when) / FADE, 0, 1)
    np.testing.assert_allclose(left, begun * place / COUNTED, atol=2e-7)

    starts = (9_600, 14_400, 14_400 + FADE, 40_700, 60_000)
    heard = np.ones(frames)
    for (_, start), (was, now) in zip(
        enumerate(starts), ((1, 2), (2, 3), (3, 1), (1, 4), (4, 1)), strict=True
    ):
        heard += (now - was) * np.clip((at - start) / FADE, 0, 1)
    np.testing.assert_allclose(right, begun * heard / 16, atol=2e-7)


def test_switching_while_it_plays_has_no_gap_no_jump_and_no_level(playwright, written, tmp_path):
    """Every sample that goes to the loudspeaker, tapped in the live graph while keys are pressed.

    The position is that of the count on the left within a tenth of a frame, 2 µs; asked for is 1 ms.
    """
    context = launched(playwright, tmp_path / "user", bypass_csp=True)  # for the tap's own script
    page = context.pages[0]
    page.goto(written.as_uri())
    page.evaluate(TAP)
    page.click("#play")
    status(page, "Now hearing: untouched")
    pressed = ["2", "4", "ArrowLeft", "1", "3", "2"]
    for key in pressed:
        page.wait_for_timeout(350)
        page.keyboard.press(key)
    page.wait_for_timeout(350)
    blocks, *sides = page.evaluate(TAPPED)
    context.close()

    first = np.flatnonzero(sides[1])[0] - 1
    assert {later - earlier for earlier, later in pairwise(blocks[first // 128 :])} == {128}
    left, right = np.array(sides)[:, first + FADE :] / 10 ** (-30 / 20)
    frames = 2 * RATE_HZ
    assert len(left) > frames, "the loop wraps"
    place = (FADE + np.arange(len(left))) % frames
    assert np.max(np.abs(left * COUNTED - place)) < 0.1

    level, fade = right * 16, np.arange(FADE + 1) / FADE
    at = 0
    for was, now in pairwise([1, 2, 4, 3, 1, 3, 2]):
        start = at + np.flatnonzero(np.abs(level[at:] - was) > 1e-4)[0] - 1
        np.testing.assert_allclose(level[start : start + FADE + 1], was + (now - was) * fade, atol=1e-5)
        at = start + FADE
    np.testing.assert_allclose(level[at:], 2, atol=1e-5)


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


def hear_and_answer(page, keys, answer):
    """Play, press keys, answer; True if the button waited for the choice."""
    page.keyboard.press("Space")
    status(page, "Now hearing")
    for key in keys:
        page.keyboard.press(key)
        page.wait_for_timeout(50)
    waits = page.get_by_role("button", name="Answer and go on").is_disabled()
    page.get_by_role("radio", name=answer, exact=True).last.check()
    page.get_by_role("button", name="Answer and go on").click()
    return waits


def test_a_blind_run_from_the_first_trial_to_the_saved_answers(page, tmp_path):
    page.get_by_role("link", name="Blind, 3 trials").click()
    assert "3 trials, their number fixed beforehand" in page.locator("#blind").inner_text()
    assert "kept in this browser" in page.locator("#blind").inner_text()
    assert not seen(page, "#play")
    page.get_by_role("button", name="Begin").click()

    assert page.evaluate("document.activeElement.textContent") == "Trial 1 of 3"
    assert page.evaluate("player.names") == ["1-1-2", "1-1-1", "1-1-1"]
    assert not seen(page, "#pictures")
    assert not seen(page, "#variations")
    text = page.locator("body").inner_text()
    assert not [each.name for each in VARIATIONS if each.name in text]
    assert [each.strip() for each in page.locator("#trial .heard li").all_inner_texts()] == ["A", "B", "X"]
    page.keyboard.press("b")
    page.keyboard.press("a")
    assert hear_and_answer(page, ["b", "x", "x", "1", "ArrowRight"], "X is B")

    assert page.locator("#trial h3").inner_text() == "Trial 2 of 3"
    assert page.evaluate("player.names") == ["2-1-3", "2-1-2", "2-1-3"]
    status(page, "Stopped; chosen: A")
    page.reload()
    page.get_by_role("button", name="Continue with trial 2").click()
    assert page.locator("#trial h3").inner_text() == "Trial 2 of 3"
    assert page.get_by_role("progressbar").get_attribute("value") == "1"
    assert hear_and_answer(page, [], "X is A")

    assert page.locator("#trial strong").all_inner_texts() == ["1", "2"]
    assert page.evaluate("player.names") == ["1-2-1", "1-2-3"]
    assert "Which do you prefer?" in page.locator("#trial").inner_text()
    assert hear_and_answer(page, ["2"], "2")

    end = page.locator("#trial").inner_text()
    assert "All 3 trials are answered" in end
    assert "busproc shootout --reveal" in end
    assert not seen(page, "#play")
    page.reload()
    with page.expect_download() as download:
        page.get_by_role("button", name="Save the answers").click()
    assert download.value.suggested_filename == "script_img_src_x_onerror_alert_1_quoted.answers.json"
    download.value.save_as(tmp_path / "answers.json")
    saved = json.loads((tmp_path / "answers.json").read_text("utf-8"))
    seconds = [each.pop("seconds") for each in saved["answers"]]
    assert saved == {
        "format": "busproc-answers/1",
        "shootout": HOSTILE,
        "plan_sha256": TRIALS["plan_sha256"],
        "answers": [
            {"trial": 1, "answer": "b", "switches": 4},
            {"trial": 2, "answer": "a", "switches": 0},
            {"trial": 3, "answer": "second", "switches": 1},
        ],
    }
    assert all(0 < each < 60 and round(each, 1) == each for each in seconds)
    assert seconds[0] > 0.2
    page.get_by_role("button", name="Forget these answers").click()
    assert page.get_by_role("button", name="Begin").is_visible()


def test_a_page_of_other_trials_takes_no_answers_over(page, browser, tmp_path):
    page.evaluate("""() => localStorage.setItem(`busproc answers ${"5e".repeat(32)}`, '[{"trial": 2}]')""")
    page.goto(f"{page.url}#blind")
    page.reload()
    assert page.get_by_role("button", name="Begin").is_visible()
    page.evaluate("""() => localStorage.setItem(`busproc answers ${"5e".repeat(32)}`, 'broken')""")
    page.reload()
    assert page.get_by_role("button", name="Begin").is_visible()


def test_without_a_memory_the_trials_go_on(browser, written):
    page = browser.pages[0]
    page.add_init_script(
        """Object.defineProperty(window, "localStorage", {get() { throw new Error("not here"); }})"""
    )
    page.goto(f"{written.as_uri()}#blind")
    assert "This browser keeps nothing" in page.locator("#blind").inner_text()
    page.get_by_role("button", name="Begin").click()
    hear_and_answer(page, [], "X is A")
    assert page.locator("#trial h3").inner_text() == "Trial 2 of 3"
    assert browser.faults == []


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
    written = write_page(LISTENING, marked, tmp_path / "page")
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
    page.goto(write_page(Listening(**parts), marked, tmp_path / "page").as_uri() + "#blind")
    assert seen(page, "#variations")
    page.keyboard.press("Space")
    status(page, "Now hearing: untouched")
    assert browser.faults == []
