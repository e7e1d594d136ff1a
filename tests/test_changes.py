"""Changes of a chain by name: what they reach, and what is said of those that reach nothing."""

from __future__ import annotations

import pytest

from busproc.chain import Chain
from busproc.changes import changed
from busproc.stages.compressor import Compressor
from busproc.stages.eq import Eq
from busproc.stages.eq_bands import Shaped
from busproc.stages.gain import Gain
from busproc.stages.parallel import Branch, Parallel

CHAIN = Chain(
    stages=(
        Eq(
            bands=(
                Shaped(shape="bell", freq_hz=300.0, gain_db=-1.0),
                Shaped(shape="bell", freq_hz=5000.0, gain_db=0.0),
            )
        ),
        Compressor(name="hold", attack_ms=30.0),
        Gain(gain_db=1.0),
        Gain(gain_db=2.0),
        Parallel(branches=(Branch(level_db=-9.0, stages=(Compressor(ratio=4.0),)),)),
    )
)


def test_a_stage_is_found_by_name_tag_or_position():
    chain, faults = changed(
        CHAIN,
        {
            "hold.attack_ms": 60,
            "eq.bands[1].gain_db": 2.5,
            "stages[3].gain_db": -3,
            "parallel.branches[0].stages[0].ratio": 8,
            "parallel.dry_db": None,
        },
    )
    assert faults == []
    assert chain.stages[1].attack_ms == 60
    assert [band.gain_db for band in chain.stages[0].bands] == [-1.0, 2.5]
    assert [stage.gain_db for stage in chain.stages[2:4]] == [1.0, -3.0]
    assert chain.stages[4].branches[0].stages[0].ratio == 8
    assert chain.stages[4].dry_db is None
    assert CHAIN.stages[1].attack_ms == 30.0


def test_without_changes_it_is_the_same_chain():
    assert changed(CHAIN, {}) == (CHAIN, [])


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"gain.gain_db": 1}, ["gain.gain_db: 2 stages are called 'gain'; say which: stages[2], stages[3]"]),
        ({"limitr.x": 1}, ["limitr.x: no stage is called 'limitr'"]),
        ({"hol.attack_ms": 1}, ["hol.attack_ms: no stage is called 'hol'; did you mean hold?"]),
        ({"stages[9].gain_db": 1}, ["stages[9].gain_db: there are only 5 stages"]),
        (
            {"hold.atack_ms": 1},
            ["hold.atack_ms: there is no such setting; did you mean attack_ms?"],
        ),
        ({"eq.bands[2].q": 1}, ["eq.bands[2].q: there is no such setting"]),
        ({"hold": 1}, ["hold: there is no such setting"]),
        ({"hold.stage": "gain"}, ["hold.stage: there is no such setting"]),
        (
            {"hold.ratio": 0.5, "eq.bands[0].freq_hz": "low"},
            [
                'stages[0].bands[0].freq_hz: must be a number from 10 to 40000 Hz, not "low"',
                'stages[1].ratio: must be a number from 1 to 1000 or "infinity", not 0.5',
            ],
        ),
    ],
)
def test_what_reaches_nothing_or_goes_too_far_is_told_and_nothing_changes(changes, told):
    chain, faults = changed(CHAIN, changes)
    assert chain is CHAIN
    assert faults == told
