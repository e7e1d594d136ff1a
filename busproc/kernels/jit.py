"""The one way kernels are compiled: cached on disk, free of the interpreter lock, never fastmath."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, ParamSpec, TypeVar

from numba import njit
from numba.core import event

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

P = ParamSpec("P")
R = TypeVar("R")

ONCE = "compiling for this machine, which is needed once"
EVERY_TIME = (
    "compiling for this machine; as no folder for the result can be written, it is needed every time "
    "(name one in NUMBA_CACHE_DIR)"
)

_uncached: list[str] = []


def kernel(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a loop over arrays on its first call.

    A kernel calls only kernels of its own file: the cache does not notice a change in another one.
    """
    try:
        return njit(cache=True, nogil=True, error_model="numpy")(function)
    except RuntimeError:  # no folder for the cache can be written
        _uncached.append(function.__name__)
        return njit(nogil=True, error_model="numpy")(function)


@contextmanager
def compiling_told(tell: Callable[[str], None]) -> Iterator[None]:
    """Call `tell` with a line when the first kernel is compiled inside, and not found in the cache."""
    told = _Told(tell)
    with event.install_listener("numba:compile", told):
        yield


class _Told(event.Listener):
    def __init__(self, tell: Callable[[str], None]) -> None:
        self._tell: Callable[[str], None] | None = tell

    def on_start(self, event: Any) -> None:  # noqa: ARG002
        if self._tell is not None:
            self._tell(EVERY_TIME if _uncached else ONCE)
            self._tell = None

    def on_end(self, event: Any) -> None:
        pass
