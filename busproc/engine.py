"""Where jobs run: in threads of this process, in processes of this machine, or on the workers of a cluster.

The standard `Executor` is all that is asked of each. A job is a function of a module with arguments that can
be pickled, and a last one that is told how far it is; it must bear being run twice.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import (
    BrokenExecutor,
    Executor,
    Future,
    ProcessPoolExecutor,
    ThreadPoolExecutor,
    as_completed,
)
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from typing import Any, ClassVar, Protocol, TypeVar

from busproc.errors import BusprocError, InputError, RenderError
from busproc.progress import JobProgress, Progress, silently

T = TypeVar("T")
CONNECT_S = 30


@dataclass(frozen=True)
class Engine:
    """How jobs are to be run.

    Attributes
    ----------
    jobs
        How many run side by side on this machine; never more than it has processors.
    processes
        Whether they run in spawned processes instead of threads. A script that asks for it needs the usual
        `if __name__ == "__main__":`.
    cluster
        Address of a scheduler (`tcp://host:port`, the `cluster` extra); its workers need this package, and
        files under the same paths. There is no protection: for networks that can be trusted.
    """

    jobs: int = 1
    processes: bool = False
    cluster: str | None = None


class Stopped(Exception):  # noqa: N818 - asked for, no fault
    """Raised inside jobs when the work is called off."""


class Event(Protocol):
    """What threads and processes have in common."""

    def is_set(self) -> bool: ...
    def set(self) -> None: ...


class Crew:
    """Those who do the jobs; from `crew_of`."""

    def __init__(
        self, executor: Executor, launch: Callable[..., Any], stop: Event, told: JobProgress
    ) -> None:
        self._executor, self._launch, self._stop, self._told = executor, launch, stop, told

    def each(self, what: str, work: Callable[..., T], items: Mapping[str, tuple[Any, ...]]) -> list[T]:
        """Do a job for every item; what fails stops none of the others.

        Parameters
        ----------
        what
            What is done, for those who wait.
        work
            The job: called with the item's arguments, and a `Progress`.
        items
            Arguments by the item's name.

        Returns
        -------
        list
            What each job gave, in the order of the items.

        Raises
        ------
        InputError, RenderError
            When jobs failed: all of them are told, each with its name.
        """
        running: dict[Future[T], str] = {}
        try:
            for name, arguments in items.items():
                running[self._executor.submit(self._launch, name, work, *arguments)] = name
            if items:
                self._told("", what, 0.0)
            for done, future in enumerate(as_completed(running), 1):
                self._told(running[future], "", 1.0)
                self._told("", what, done / len(items))
                _refuse_fault(future)
        except BaseException:
            self._stop.set()
            for future in running:
                future.cancel()
            raise
        faults = {name: error for future, name in running.items() if (error := future.exception())}
        if faults:
            raise _together(faults)
        return [future.result() for future in running]


def _refuse_fault(future: Future[Any]) -> None:
    """Raise what is nobody's mistake but ours; what is told to users waits until the others are done."""
    error = future.exception()
    if error is not None and not isinstance(error, BusprocError) and not _has_ended(error):
        raise error


def _has_ended(error: BaseException) -> bool:
    """Whether a worker went away in the middle of its job."""
    return isinstance(error, BrokenExecutor) or type(error).__name__ == "KilledWorker"


def _together(faults: Mapping[str, BaseException]) -> BusprocError:
    ended = "its worker ended, for want of memory perhaps; run it again"
    told = "\n".join(f"{name}: {ended if _has_ended(error) else error}" for name, error in faults.items())
    is_input = all(isinstance(error, InputError) for error in faults.values())
    return InputError(told) if is_input else RenderError(told)


@contextmanager
def crew_of(engine: Engine, told: JobProgress) -> Iterator[Crew]:
    """Gather those who do the jobs; they go when the block ends, and stop soon when it ends badly.

    Raises
    ------
    InputError
        No cluster answers at the address, or the extra for it is missing.
    """
    if engine.cluster is not None:
        with _cluster(engine.cluster) as executor:
            yield Crew(executor, _quietly, threading.Event(), told)
        return
    workers = max(1, min(engine.jobs, processors()))
    with (_processes if engine.processes else _threads)(workers, told) as crew:
        yield crew


def processors() -> int:
    """How many processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


@contextmanager
def _threads(workers: int, told: JobProgress) -> Iterator[Crew]:
    stop = threading.Event()

    def launch(name: str, work: Callable[..., T], *arguments: Any) -> T:
        return work(*arguments, _stopping(stop, partial(told, name)))

    with ThreadPoolExecutor(workers) as executor:
        yield Crew(executor, launch, stop, told)


def _stopping(stop: Event, told: Progress) -> Progress:
    def tell(what: str, done: float) -> None:
        if stop.is_set():
            raise Stopped
        told(what, done)

    return tell


@contextmanager
def _processes(workers: int, told: JobProgress) -> Iterator[Crew]:
    spawn = multiprocessing.get_context("spawn")
    stop, news = spawn.Event(), spawn.SimpleQueue()
    reader = threading.Thread(target=_pass_on, args=(news, told), daemon=True)
    reader.start()
    try:
        with ProcessPoolExecutor(workers, spawn, _Station.open, (stop, news)) as executor:
            yield Crew(executor, _at_station, stop, told)
    finally:
        news.put(None)
        reader.join()


def _pass_on(news: Any, told: JobProgress) -> None:
    while (line := news.get()) is not None:
        told(*line)


class _Station:
    """A spawned process: what it knows of the one that waits for it."""

    stop: ClassVar[Event]
    news: ClassVar[Any]

    @classmethod
    def open(cls, stop: Event, news: Any) -> None:
        """Begin the process: Ctrl-C is for the one that waits, who tells the others to stop."""
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        cls.stop, cls.news = stop, news


def _at_station(name: str, work: Callable[..., T], *arguments: Any) -> T:
    return work(
        *arguments, _stopping(_Station.stop, lambda what, done: _Station.news.put((name, what, done)))
    )


@contextmanager
def _cluster(address: str) -> Iterator[Executor]:
    try:
        from distributed import Client
    except ImportError:
        raise InputError("a cluster needs the extra: pip install 'busproc[cluster]'") from None
    try:
        client = Client(address, timeout=CONNECT_S, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as error:
        raise InputError(f"no scheduler answers at {address}: {error}") from None
    with client, client.get_executor(pure=False, retries=2) as executor:  # type: ignore[no-untyped-call]
        yield executor


def _quietly(name: str, work: Callable[..., T], *arguments: Any) -> T:  # noqa: ARG001
    return work(*arguments, silently)
