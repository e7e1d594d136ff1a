"""How those who wait are told how far the work has come."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[str, float], None]
"""Called with what is being done, and how much of it is (0 to 1)."""


def silently(what: str, done: float) -> None:
    """Tell nobody."""
