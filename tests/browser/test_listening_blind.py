"""Blind trials on the listening page, from the first to the saved answers."""

from __future__ import annotations

import json

import pytest

from tests.browser.steps import hear_and_answer, seen, status
from tests.shootouts.test_listening import HOSTILE, TRIALS, VARIATIONS

pytestmark = pytest.mark.browser


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
