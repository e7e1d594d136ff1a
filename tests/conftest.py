"""Settings of all tests."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

settings.register_profile(
    "busproc",
    deadline=None,  # kernels compile on their first call
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
)
settings.load_profile("busproc")
