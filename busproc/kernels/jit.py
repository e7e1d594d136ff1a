"""The one way kernels are compiled: cached on disk, free of the interpreter lock, never fastmath."""

from __future__ import annotations

from typing import TYPE_CHECKING, ParamSpec, TypeVar

from numba import njit

if TYPE_CHECKING:
    from collections.abc import Callable

P = ParamSpec("P")
R = TypeVar("R")


def kernel(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a loop over arrays on its first call.

    A kernel calls only kernels of its own file: the cache does not notice a change in another one.
    """
    try:
        return njit(cache=True, nogil=True, error_model="numpy")(function)
    except RuntimeError:  # no folder for the cache can be written
        return njit(nogil=True, error_model="numpy")(function)
