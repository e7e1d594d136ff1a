"""Branches meet in step, at their levels."""

from __future__ import annotations

import numpy as np
import pytest

from busproc.stages.compressor import Compressor
from busproc.stages.context import Context
from busproc.stages.gain import Gain
from busproc.stages.limiter import Limiter
from busproc.stages.parallel import Branch, Parallel
from busproc.stages.saturator import Saturator
from tests.stages.probe import RATE_HZ, db, gain_curve, noise, sine, stereo, streamed

LATE = Saturator(mix=0.0)  # passes the bus untouched, 118 frames later
LATER = Limiter(ceiling_dbtp=6.0)  # passes quiet sound untouched, 299 frames later
LATENCY_FRAMES = {LATE: 118, LATER: 299}
FLIPPED = Gain(polarity="inverted")


def parallel(*branches, level_db=0.0, **options):
    return Parallel(
        branches=tuple(Branch(level_db=level_db, stages=stages) for stages in branches), **options
    )


@pytest.mark.parametrize("stage", [LATE, LATER])
def test_a_late_branch_and_the_bus_double_exactly(stage):
    sound = noise(3000)
    np.testing.assert_array_equal(streamed(parallel((stage,)), sound), 2 * sound)


def test_branches_of_different_latency_meet_to_the_frame():
    sound = noise(3000)
    summed = streamed(parallel((LATE,), (), (LATE, LATER), (LATER,), dry_db=None), sound)
    np.testing.assert_array_equal(summed, 4 * sound)


def test_an_inverted_branch_leaves_exactly_nothing():
    assert not streamed(parallel((LATE, FLIPPED)), noise(3000)).any()


def test_parallels_nest():
    inner = parallel((LATER,), (FLIPPED, LATE), dry_db=None)  # nothing
    middle = parallel((inner, LATE), (LATE,))  # dry, nothing and a copy
    sound = noise(3000)
    np.testing.assert_array_equal(streamed(parallel((middle,), dry_db=None), sound), 2 * sound)


def test_the_latency_is_that_of_the_slowest_branch():
    plan = parallel((LATE,), (LATE, parallel((LATER,))), ()).plan(Context(RATE_HZ))
    assert plan.latency_frames == LATENCY_FRAMES[LATE] + LATENCY_FRAMES[LATER]


@pytest.mark.parametrize("level_db", [-30.0, -6.0, 3.0])
def test_branch_and_dry_have_the_levels_that_are_set(level_db):
    sound = noise(500)
    factor = 10 ** (level_db / 20)
    alone = streamed(parallel((), level_db=level_db, dry_db=None), sound)
    np.testing.assert_allclose(alone, factor * sound, rtol=1e-15)
    under = streamed(parallel((), level_db=0.0, dry_db=level_db), sound)
    np.testing.assert_allclose(under, (1 + factor) * sound, rtol=1e-14)


def test_without_dry_and_branches_nothing_is_left():
    assert not streamed(Parallel(dry_db=None), noise(500)).any()


def test_a_branch_hears_the_bus_and_not_the_other_branches():
    squeezed = Compressor(threshold_dbfs=-30.0, attack_ms=1.0)
    bus = noise(2000)
    both = gain_curve(parallel((squeezed,), (Gain(gain_db=20.0),), dry_db=None), bus)
    np.testing.assert_allclose(both, gain_curve(squeezed, bus) + 10, rtol=1e-14)


def test_a_key_reaches_a_branch_in_step_with_its_sound():
    """A stroke keys a compressor behind a late stage: the gain must fall under the stroke, not before."""
    keyed = Compressor(threshold_dbfs=-30.0, attack_ms=0.0, detector="peak", key={"from": "kick"})
    stroke = np.zeros((3000, 2))
    stroke[1000:2000] = 0.5
    keys = {"kick:after_chain": stroke}
    wanted = gain_curve(keyed, noise(3000), keys=keys)
    assert wanted[999] == 1 > wanted[1000]
    late = gain_curve(parallel((LATER, keyed), (LATE,), dry_db=None), noise(3000), keys=keys)
    np.testing.assert_allclose(late, wanted + 1, rtol=1e-15)


def test_the_record_tells_each_branch_and_how_loud_it_came_back():
    stage = Parallel(branches=(Branch(level_db=-12.0, stages=(FLIPPED,)), Branch(level_db=-40.0)))
    bus = stereo(sine(1000, RATE_HZ, 0.5))
    here = Context(RATE_HZ, "mix_bus.stages[0]")
    plan = stage.plan(here)
    state = stage.start(plan, 1, here)
    stage.process(plan, state, bus[:, None], {})
    record = stage.record(plan, state, here)
    assert [branch["returned_dbfs"] for branch in record["branches"]] == [
        pytest.approx(db(0.5) - 12, abs=0.01),
        pytest.approx(db(0.5) - 40, abs=0.01),
    ]
    assert record["branches"][0]["decisions"][0]["place"] == "mix_bus.stages[0].branches[0].stages[0]"
    assert record["verdict"] == "worked"
    assert record["why"] == (
        "2 branches, the loudest came back at -12.0 dB against the bus; the sum changed by "
        f"{db(1 - 10 ** (-12 / 20) + 10 ** (-40 / 20)):+.2f} dB."
    )
