"""Compiled once for a machine, with a word about it, and working where nothing can be kept."""

from __future__ import annotations

import numpy as np
import pytest

from busproc.kernels import jit


def doubled(x):
    return 2.0 * x


@pytest.fixture
def told():
    return []


def test_compiling_is_told_once(told):
    compiled = jit.njit(doubled)
    with jit.compiling_told(told.append):
        assert compiled(1.5) == 3.0
        assert compiled(np.ones(2)).tolist() == [2.0, 2.0]
    assert told == [jit.ONCE]


def test_what_is_compiled_already_is_not_told(told):
    compiled = jit.njit(doubled)
    compiled(1.5)
    with jit.compiling_told(told.append):
        compiled(2.5)
    assert told == []


def test_nothing_is_told_outside(told):
    with jit.compiling_told(told.append):
        pass
    jit.njit(doubled)(1.5)
    assert told == []


def test_without_a_folder_for_the_cache_a_kernel_works_and_says_so(told, monkeypatch):
    real = jit.njit

    def njit(*, cache=False, **options):
        if cache:
            raise RuntimeError("no locator available")
        return real(**options)

    monkeypatch.setattr(jit, "njit", njit)
    monkeypatch.setattr(jit, "_uncached", [])
    compiled = jit.kernel(doubled)
    with jit.compiling_told(told.append):
        assert compiled(4.0) == 8.0
    assert told == [jit.EVERY_TIME]
    assert "NUMBA_CACHE_DIR" in jit.EVERY_TIME
