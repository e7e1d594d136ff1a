"""Settings of all tests."""

from __future__ import annotations

import shutil

import pytest
from hypothesis import HealthCheck, settings

settings.register_profile(
    "busproc",
    deadline=None,  # kernels compile on their first call
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
)
settings.load_profile("busproc")


@pytest.fixture(scope="module")
def playwright():
    """What drives the system's chromium."""
    api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    if not shutil.which("chromium"):
        pytest.skip("there is no chromium: apt-get install --no-install-recommends chromium")
    with api.sync_playwright() as started:
        yield started
