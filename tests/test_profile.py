"""Where the time went: every second is booked once, to the innermost part at work."""

from __future__ import annotations

import signal
import sys
import time

import numpy as np
import pytest

from busproc import profile
from busproc.chain import process
from busproc.errors import InputError
from busproc.measure.meter import Meter
from busproc.stages.gain import Gain
from busproc.stages.parallel import Branch, Parallel
from tests.songs import RATE_HZ, noise


def busy(seconds):
    end = time.process_time() + seconds
    while time.process_time() < end:
        pass


def test_every_second_is_booked_once():
    started = time.process_time()
    with profile.profiled() as spent:
        busy(0.2)
    whole = time.process_time() - started
    assert sum(spent.seconds.values()) == pytest.approx(whole, abs=0.02)
    assert spent.seconds[profile.OTHER] == pytest.approx(0.2, abs=0.03)


def test_the_timer_is_given_back():
    before = signal.getsignal(signal.SIGPROF)
    with pytest.raises(ZeroDivisionError), profile.profiled():
        raise ZeroDivisionError
    assert signal.getsignal(signal.SIGPROF) == before
    assert signal.getitimer(signal.ITIMER_PROF) == (0.0, 0.0)


@pytest.mark.parametrize(
    "chain", [Gain(gain_db=1.0), Parallel(branches=(Branch(level_db=0.0, stages=(Gain(gain_db=1.0),)),))]
)
def test_what_a_stage_does_is_booked_to_the_innermost_stage(monkeypatch, chain):
    parts = []
    plain = Gain.decide

    def decide(self, plan, memory, heard):
        parts.append(profile.part_of(sys._getframe()))
        return plain(self, plan, memory, heard)

    monkeypatch.setattr(Gain, "decide", decide)
    process(chain, noise(0.1, 1), RATE_HZ)
    assert set(parts) == {"stage gain"}


def test_measuring_is_booked_to_the_meters(monkeypatch):
    parts = []
    monkeypatch.setattr(
        "busproc.measure.level.tally", lambda *_: parts.append(profile.part_of(sys._getframe()))
    )
    Meter(RATE_HZ, 2).feed(np.zeros((10, 2)))
    assert parts == ["meters and spectra"]


def test_every_part_is_a_place_in_the_package():
    assert all((profile.PACKAGE / part).exists() for part in profile.PARTS)


def test_the_table_adds_up():
    spent = profile.Profile()
    spent.seconds.update({"reading stems": 1.0, "stage eq": 3.0})
    assert spent.table(20.0).splitlines() == [
        " 75.0%     3.00 s  stage eq",
        " 25.0%     1.00 s  reading stems",
        "100.0%     4.00 s  of one core, 5.0 times real time",
    ]


def test_without_a_timer_the_profile_is_refused(monkeypatch):
    monkeypatch.delattr(signal, "setitimer")
    with pytest.raises(InputError, match="no timer"), profile.profiled():
        pass
