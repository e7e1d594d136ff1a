"""How those who wait are told how far the work has come."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[str, float], None]
"""Called with what is being done, and how much of it is (0 to 1)."""

JobProgress = Callable[[str, str, float], None]
"""Called with the job (or "" for all of them), what is being done to it, and how much of it is (0 to 1)."""


def silently(what: str, done: float) -> None:
    """Tell nobody."""


def jobs_silently(job: str, what: str, done: float) -> None:
    """Tell nobody."""
