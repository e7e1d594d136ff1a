"""Pages in chromium, opened from disk."""

from __future__ import annotations

import pytest

from busproc.shootouts.listening import write_page
from tests.browser.steps import launched
from tests.shootouts.test_listening import LISTENING, marked


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    return write_page(LISTENING, marked, tmp_path_factory.mktemp("page"))[0]


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
