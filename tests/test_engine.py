"""Jobs in threads and processes: the same results in order, faults together, an end when called off."""

from __future__ import annotations

import os
import threading
import time

import pytest

from busproc.engine import Engine, Stopped, crew_of, processors
from busproc.errors import InputError, RenderError, SettingsFileError
from busproc.progress import jobs_silently

THREADS, PROCESSES = Engine(jobs=2), Engine(jobs=2, processes=True)
BOTH = pytest.mark.parametrize("engine", [THREADS, PROCESSES], ids=["threads", "processes"])


def square(number, progress):
    progress("squaring", 0.5)
    return number * number


def faulty(number, progress):
    if number == 1:
        raise RenderError("too loud")
    if number == 2:
        raise SettingsFileError("chain.json", ["stages[0]: unknown"])
    return number


def mistaken(number, progress):
    raise ZeroDivisionError


def killed(number, progress):
    os._exit(9)


def crowd(number, progress):
    """How many jobs are at work at once."""
    crowd.now += 1
    time.sleep(0.05)
    crowd.most = max(crowd.most, crowd.now)
    crowd.now -= 1


@BOTH
def test_results_come_in_the_order_of_the_items_and_all_is_told(engine):
    told = []
    with crew_of(engine, lambda *line: told.append(line)) as crew:
        assert crew.each("squares", square, {f"n{n}": (n,) for n in range(5)}) == [0, 1, 4, 9, 16]
        assert crew.each("nothing", square, {}) == []
    assert ("", "nothing", 0.0) not in told
    assert {("n3", "squaring", 0.5), ("", "squares", 0.0), ("", "squares", 1.0)} <= set(told)


@BOTH
def test_a_fault_stops_no_other_job_and_all_are_told(engine):
    done = []
    with crew_of(engine, lambda *line: done.append(line)) as crew, pytest.raises(RenderError) as error:
        crew.each("numbers", faulty, {f"n{n}": (n,) for n in range(4)})
    assert str(error.value) == "n1: too loud\nn2: chain.json: 1 fault\n  stages[0]: unknown"
    assert ("n3", "", 1.0) in done


def test_wrong_input_alone_is_told_as_such():
    with crew_of(THREADS, jobs_silently) as crew, pytest.raises(InputError, match=r"n2: chain\.json"):
        crew.each("numbers", faulty, {"n2": (2,)})


@BOTH
def test_a_mistake_of_ours_is_not_hidden(engine):
    with pytest.raises(ZeroDivisionError), crew_of(engine, jobs_silently) as crew:
        crew.each("numbers", mistaken, {"one": (1,)})


def test_a_worker_that_goes_away_is_told():
    with crew_of(PROCESSES, jobs_silently) as crew, pytest.raises(RenderError, match="its worker ended"):
        crew.each("numbers", killed, {"one": (1,)})


def test_what_is_called_off_stops_at_its_next_word():
    started, stopped = threading.Event(), threading.Event()

    def endless(number, progress):
        try:
            while True:
                progress("waiting", 0.0)
                started.set()
        except Stopped:
            stopped.set()
            raise

    def interrupt(job, what, done):
        if started.is_set() and threading.current_thread() is threading.main_thread():
            raise KeyboardInterrupt

    def hasty(number, progress):
        started.wait(10)

    with pytest.raises(KeyboardInterrupt), crew_of(THREADS, interrupt) as crew:
        crew.each("numbers", lambda n, p: (endless if n else hasty)(n, p), {"a": (0,), "b": (1,)})
    assert stopped.is_set() or processors() == 1


def test_no_more_jobs_at_once_than_processors():
    crowd.now = crowd.most = 0
    with crew_of(Engine(jobs=64), jobs_silently) as crew:
        crew.each("numbers", crowd, {f"n{n}": (n,) for n in range(8)})
    assert crowd.most == min(8, processors())


def test_a_cluster_that_does_not_answer_is_told(monkeypatch):
    pytest.importorskip("distributed")
    monkeypatch.setattr("busproc.engine.CONNECT_S", 0.5)
    with (
        pytest.raises(InputError, match="no scheduler answers"),
        crew_of(Engine(cluster="tcp://127.0.0.1:9"), jobs_silently),
    ):
        pass
