"""What a listener does on the listening page, and what the page shows."""

from __future__ import annotations

import shutil


def launched(playwright, folder, **options):
    return playwright.chromium.launch_persistent_context(
        folder, executable_path=shutil.which("chromium"), **options
    )


def status(page, text):
    page.locator("#status", has_text=text).wait_for(timeout=10_000)


def seen(page, selector):
    return page.locator(selector).is_visible()


def checked(page, name="heard"):
    return page.locator(f"[name={name}]:checked").input_value()


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
