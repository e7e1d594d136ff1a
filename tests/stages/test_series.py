"""Stages one after the other: conditions, keys, times in the log."""

from __future__ import annotations

import numpy as np
import pytest

from busproc.chain import Chain
from busproc.errors import RenderError
from busproc.stages.compressor import Compressor
from busproc.stages.context import Condition, Context
from busproc.stages.eq import Eq
from busproc.stages.eq_bands import Shaped
from busproc.stages.gain import Gain
from busproc.stages.limiter import Limiter
from busproc.stages.parallel import Branch, Parallel
from busproc.stages.saturator import Saturator
from busproc.stages.series import SeriesPlan, process_series, start_series
from busproc.stages.width import Width
from tests.stages.probe import RATE_HZ, gain_curve, noise, streamed

LOUD = Condition(measure="true_peak_dbtp", above=-1.0)
QUIET = Condition(measure="integrated_lufs", below=-20.0)
LATE = Saturator(mix=0.0)


def context(**facts):
    """The mix bus, its first stage measured."""
    return Context(RATE_HZ, "mix_bus", {"mix_bus.stages[0]": facts})


def run(chain, here, sound):
    """Feed a chain once; returns what left (latency left in) and the records."""
    plan = chain.plan(here)
    assert isinstance(plan, SeriesPlan)
    state = chain.start(plan, 1)
    left = chain.process(plan, state, np.ascontiguousarray(sound[:, None]), {})[:, 0]
    return left, chain.record(plan, state)


SHAPED = Shaped(shape="bell", freq_hz=1000.0, gain_db=6.0, q=3.0)


def test_what_one_stage_leaves_is_measured_once_and_is_what_the_next_one_gets():
    """Each neighbour asks for other things: the eq and width for spectra, the limiter for true peaks."""
    stages = (
        Eq(bands=(SHAPED,)),
        Gain(gain_db=1.0),
        Width(width=1.5),
        Limiter(ceiling_dbtp=-12.0, verify=False),
        Parallel(branches=(Branch(level_db=-6.0),)),
        Gain(gain_db=2.0),
    )
    here, sound = Context(RATE_HZ), noise(RATE_HZ // 2, level=0.3)
    _, records = run(Chain(stages=stages), here, sound)
    for stage, record in zip(stages, records, strict=True):
        sound, (alone,) = run(Chain(stages=(stage,)), here, sound)
        assert record["before"] == alone["before"]
        assert record["after"] == alone["after"]


def test_an_unwatched_chain_makes_the_same_bits():
    chain, sound = Chain(stages=(Compressor(), Parallel(branches=(Branch(level_db=-6.0),)))), noise(5000)
    plan = chain.plan(Context(RATE_HZ))
    state = start_series(plan, 1, watched=False)
    lanes = np.ascontiguousarray(sound[:, None])
    left = process_series(plan, state, lanes, {})[:, 0]
    np.testing.assert_array_equal(left, run(chain, Context(RATE_HZ), sound)[0])
    assert state.stages[0].exit.level.frames == state.stages[1].exit.level.frames == 0


@pytest.mark.parametrize(
    ("when", "facts", "holds"),
    [
        (LOUD, {"true_peak_dbtp": -0.99}, True),
        (LOUD, {"true_peak_dbtp": -1.0}, False),
        (LOUD, {"true_peak_dbtp": None}, False),
        (QUIET, {"integrated_lufs": -20.01}, True),
        (QUIET, {"integrated_lufs": -20.0}, False),
        (QUIET, {"integrated_lufs": None}, False),
    ],
)
def test_a_stage_runs_only_where_its_condition_holds(when, facts, holds):
    sound = noise(500)
    left, (record,) = run(Chain(stages=(Gain(gain_db=-6.0, when=when),)), context(**facts), sound)
    assert np.array_equal(left, sound) is not holds
    assert (record["verdict"] == "not needed") is not holds


@pytest.mark.parametrize(
    ("facts", "why"),
    [
        ({"true_peak_dbtp": -1.37}, "Wanted only where true_peak_dbtp is above -1; here the bus has -1.37."),
        (
            {"true_peak_dbtp": None},
            "Wanted only where true_peak_dbtp is above -1; here the bus has none (silent, or too short).",
        ),
    ],
)
def test_a_stage_that_is_not_needed_says_why_and_costs_no_latency(facts, why):
    chain = Chain(stages=(Limiter(name="safety", when=LOUD),))
    here = context(**facts)
    assert chain.plan(here).latency_frames == 0
    _, (record,) = run(chain, here, noise(500))
    assert record == {
        "place": "mix_bus.stages[0]",
        "stage": "limiter",
        "name": "safety",
        "settings": Limiter().settings(),
        "verdict": "not needed",
        "why": why,
    }


def test_a_condition_inside_a_branch_has_the_branchs_place():
    guarded = Gain(gain_db=-6.0, when=LOUD)
    chain = Chain(stages=(Parallel(dry_db=None, branches=(Branch(level_db=0.0, stages=(guarded,)),)),))
    place = "mix_bus.stages[0].branches[0].stages[0]"
    sound = noise(500)
    left, (record,) = run(chain, Context(RATE_HZ, "mix_bus", {place: {"true_peak_dbtp": -3.0}}), sound)
    np.testing.assert_array_equal(left, sound)
    assert record["branches"][0]["decisions"][0]["place"] == place
    assert record["branches"][0]["decisions"][0]["verdict"] == "not needed"


def test_a_condition_that_nobody_measured_is_refused_by_its_place():
    chain = Chain(stages=(Gain(when=LOUD),))
    with pytest.raises(RenderError, match=r"^mix_bus\.stages\[0\]: true_peak_dbtp has not been measured"):
        chain.plan(Context(RATE_HZ, "mix_bus"))


@pytest.mark.parametrize("bounds", [{}, {"above": 0.0, "below": 1.0}])
def test_a_condition_has_exactly_one_bound(bounds):
    with pytest.raises(ValueError, match="give exactly one of above and below"):
        Condition(measure="correlation", **bounds)


def test_latencies_add_up_and_are_taken_out():
    chain = Chain(stages=(LATE, Limiter(ceiling_dbtp=6.0), LATE))
    assert chain.plan(Context(RATE_HZ)).latency_frames == 118 + 299 + 118
    sound = noise(2000)
    np.testing.assert_array_equal(streamed(chain, sound), sound)


def test_a_key_waits_for_the_sound_it_belongs_to():
    keyed = Compressor(threshold_dbfs=-30.0, attack_ms=0.0, detector="peak", key={"from": "kick"})
    stroke = np.zeros((3000, 2))
    stroke[1000:2000] = 0.5
    keys = {"kick:after_chain": stroke}
    behind = gain_curve(Chain(stages=(LATE, Limiter(ceiling_dbtp=6.0), keyed)), noise(3000), keys=keys)
    np.testing.assert_array_equal(behind, gain_curve(keyed, noise(3000), keys=keys))


def test_lanes_other_than_those_started_with_are_refused():
    chain = Chain(stages=(Gain(),))
    plan = chain.plan(Context(RATE_HZ))
    with pytest.raises(ValueError, match=r"lanes must be \(frames, 2, 2\) as started, not \(10, 3, 2\)"):
        chain.process(plan, chain.start(plan, 2), np.zeros((10, 3, 2)), {})


@pytest.mark.parametrize("stage", [Limiter(), Compressor(attack_ms=0.0, release_ms=5.0, detector="peak")])
def test_times_in_the_log_are_song_times_however_late_the_bus_arrives(stage):
    sound = noise(RATE_HZ, level=0.01)
    sound[28800:28810] = 1.5
    late = Limiter(ceiling_dbtp=6.0, lookahead_ms=20.0)  # 1019 frames, and the log has 0.01 s
    for chain in (Chain(stages=(stage,)), Chain(stages=(late, late, stage))):
        *_, record = run(chain, Context(RATE_HZ), np.pad(sound, ((0, 3000), (0, 0))))[1]
        assert record["did"]["deepest_at_s"] == pytest.approx(28800 / RATE_HZ, abs=0.001)
