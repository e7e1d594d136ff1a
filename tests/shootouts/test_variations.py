"""Variations: names, ids, combinations, samples, controls; stages that several share."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busproc.chain import Chain
from busproc.shootouts.drafts import drafted, spread
from busproc.shootouts.settings import Blind, Controls, Shootout
from busproc.shootouts.variations import (
    Variation,
    expand,
    hidden_repeat,
    prefix_tree,
    shared_stages,
    trial_pairs,
)
from busproc.stages.compressor import Compressor
from busproc.stages.eq import Eq
from busproc.stages.eq_bands import Shaped
from busproc.stages.gain import Gain

BASE = Chain(
    stages=(
        Eq(bands=(Shaped(shape="bell", freq_hz=300.0, gain_db=-1.0),)),
        Compressor(name="hold", attack_ms=30.0),
        Gain(gain_db=1.0),
    )
)
ATTACK_RATIO = {"hold.attack_ms": [10, 30.5], "compressor.ratio": [2, 4, "infinity"]}


def shootout(**keys):
    """Settings of a shootout as if read from a file."""
    return Shootout.model_validate({"shootout": "Test", "songs": [{"file": "a.wav"}], **keys})


def variations(controls=None, chains=None, **keys):
    """All variations of `BASE`, which are good."""
    drafts, faults = drafted(shootout(**keys))
    made, more = expand(drafts, BASE, chains or {}, controls)
    assert [*faults, *more] == []
    return made


def faults(**keys):
    """What is wrong with names and changes."""
    drafts, told = drafted(shootout(**keys))
    return [*told, *expand(drafts, BASE, {}, Controls())[1]]


def test_a_grid_is_every_combination_named_by_its_values():
    made = variations(grid={"set": ATTACK_RATIO, "reason": "Why not."})
    assert [each.name for each in made] == [
        f"attack {attack} ms, ratio {ratio}" for attack in ("10", "30.5") for ratio in ("2", "4", "infinity")
    ]
    assert [each.id for each in made] == [f"v{n:02d}" for n in range(1, 7)]
    assert {each.reason for each in made} == {"Why not."}
    for each, (attack_ms, ratio) in zip(made, itertools.product(*ATTACK_RATIO.values()), strict=True):
        assert each.changes == {"hold.attack_ms": attack_ms, "compressor.ratio": ratio}
        assert (each.chain.stages[1].attack_ms, each.chain.stages[1].ratio) == (attack_ms, ratio)
        assert each.chain.stages[::2] == BASE.stages[::2]


def test_names_go_as_far_back_as_they_must():
    bands = [[{"shape": "bell", "freq_hz": freq_hz, "gain_db": 1.0}] for freq_hz in (100.0, 200.0)]
    made = variations(grid={"set": {"gain.gain_db": [1], "eq.bands[0].gain_db": [2], "hold.knee_db": [0.1]}})
    assert made[0].name == "gain.gain 1 dB, bands[0].gain 2 dB, knee 0.1 dB"
    assert [each.name for each in variations(grid={"set": {"eq.bands": bands}})] == ["bands #1", "bands #2"]


def test_a_written_variation_may_be_the_base_itself_a_change_or_another_chain():
    other = Chain(stages=(Gain(gain_db=5.0), Gain(gain_db=6.0)))
    listed = [
        {"name": "as it is"},
        {"name": "slower", "set": {"hold.attack_ms": 60}, "reason": "Lets attacks through."},
        {"name": "other", "chain": "other.json", "set": {"stages[1].gain_db": 7}},
    ]
    made = variations(variations=listed, chains={"other.json": other})
    assert made[0].chain == BASE
    assert made[1].chain.stages[1].attack_ms == 60
    assert made[1].reason == "Lets attacks through."
    assert [stage.gain_db for stage in made[2].chain.stages] == [5.0, 7.0]


def test_controls_are_the_untouched_input_and_one_variation_again():
    listed = [{"name": f"n{n}", "set": {"gain.gain_db": n}} for n in range(12)]
    twins = set()
    for seed in range(40):
        made = variations(Controls(seed=seed), variations=listed)
        assert made == variations(Controls(seed=seed), variations=listed)
        assert [each.id for each in made] == [f"v{n:02d}" for n in range(14)]
        assert made[1:-1] == variations(variations=listed), "controls move no id"
        assert (made[0].kind, made[0].chain) == ("untouched", Chain())
        twin, again = hidden_repeat(made)
        assert again == made[-1].id
        assert made[-1].kind == "repeat"
        assert made[-1].chain == next(each for each in made if each.id == twin).chain
        twins.add(twin)
    assert len(twins) > 8
    assert hidden_repeat(variations(variations=listed)) is None


@pytest.mark.parametrize("how", ["low_discrepancy", "random"])
def test_samples_are_spread_by_seed_and_say_what_they_are(how):
    ranges = {"hold.attack_ms": [1, 100], "gain.gain_db": [-6, 6]}
    samples = {"ranges": ranges, "count": 24, "how": how, "seed": 3}
    made = variations(samples=samples)
    assert made == variations(samples=samples)
    assert [each.name for each in made] != [each.name for each in variations(samples=samples | {"seed": 4})]
    assert len({each.name for each in made}) == 24
    for each in made:
        attack_ms, gain_db = each.changes.values()
        assert each.name == f"attack {attack_ms:g} ms, gain {gain_db:g} dB"
        assert float(f"{attack_ms:.4g}") == attack_ms == each.chain.stages[1].attack_ms
        assert 1 <= attack_ms <= 100
        assert -6 <= gain_db <= 6


def test_low_discrepancy_leaves_no_gap():
    """16 points of a scrambled Sobol sequence: one in each sixteenth of a range (Sobol 1967, from memory)."""
    ranges = {"hold.attack_ms": [1.0, 100.0], "gain.gain_db": [-8.0, 8.0]}
    made = variations(samples={"ranges": ranges, "count": 16, "seed": 5})
    gains_db = sorted(each.changes["gain.gain_db"] for each in made)
    assert [int(gain_db + 8) for gain_db in gains_db] == list(range(16))
    octaves = sorted(8 * np.log10(each.changes["hold.attack_ms"]) for each in made)
    assert [int(place) for place in octaves] == list(range(16)), "times are spread by ratio"


def test_what_has_no_ratio_is_spread_evenly():
    assert spread({"a.freq_hz": (0.0, 100.0), "a.mix": (0.25, 0.75)}, (0.1, 0.5)) == {
        "a.freq_hz": 10.0,
        "a.mix": 0.5,
    }
    assert spread({"a.gain_db": (1.23456, 1.23457)}, (0.5,)) == {"a.gain_db": 1.23457}, "never out of range"


def test_twins_among_samples_are_passed_over_and_a_range_too_narrow_is_told():
    narrow = {"ranges": {"gain.gain_db": [1.0, 1.009]}, "count": 10, "how": "random", "seed": 2}
    assert len(variations(samples=narrow | {"count": 8})) == 8
    (told,) = faults(samples=narrow | {"count": 40})
    assert told == (
        "samples.ranges: hold only 10 settings that differ in 4 digits, not 40; widen them or lower count"
    )


def test_too_many_combinations_are_asked_for_on_purpose():
    values = {"hold.attack_ms": list(range(1, 10)), "gain.gain_db": list(range(8))}
    assert faults(grid={"set": values}) == [
        'grid.set: 72 combinations are more than 64; list fewer values, or allow them with "most": 72'
    ]
    assert len(variations(grid={"set": values, "most": 72})) == 72
    values = {f"hold.x{n}": list(range(9)) for n in range(4)}
    (told,) = faults(grid={"set": values, "most": 4096})
    assert told.startswith(
        "grid.set: 6561 combinations are more than 4096; list fewer values, or draw samples;"
    )


def test_a_refused_value_of_a_grid_is_named_once():
    values = {"hold.attack_ms": [10, 30], "hold.ratio": [2, 0.5], "gain.gain_db": [1, 999]}
    told = faults(grid={"set": values})
    ratio = 'must be a number from 1 to 1000 or "infinity", not 0.5'
    assert max(told) == f"grid.set.hold.ratio[1]: stages[1].ratio: {ratio}"
    assert min(told).startswith("grid.set.gain.gain_db[1]: stages[2].gain_db: must be ")
    assert len(told) == 2
    (told,) = faults(grid={"set": {"gain.gain_db": [1], "hold.ratio": [2, 0.5]}})
    assert told == f"grid.set.hold.ratio[1]: stages[1].ratio: {ratio}"
    (told,) = faults(grid={"set": {"hold.atack_ms": [1, 2], "gain.gain_db": [1, 2]}})
    assert told == "grid.set: hold.atack_ms: there is no such setting; did you mean attack_ms?"


def test_all_faults_of_changes_are_told_at_once():
    told = faults(
        variations=[
            {"name": "a", "set": {"hold.ratio": 0.5}},
            {"name": "b", "set": {"hol.ratio": 2}},
            {"name": "a"},
            {"name": "untouched"},
            {"name": "hidden repeat"},
        ],
        samples={"ranges": {"hold.ratio": [0.5, 0.9]}, "count": 8},
    )
    assert told[:3] == [
        "variations[2].name: 'a' is already the name of variations[0]; names must differ",
        "variations[3].name: 'untouched' is already the name of the untouched input; names must differ",
        "variations[4].name: 'hidden repeat' is already the name of the hidden repeat; names must differ",
    ]
    assert told[3] == (
        'variations[0].set: stages[1].ratio: must be a number from 1 to 1000 or "infinity", not 0.5'
    )
    assert told[4] == "variations[1].set: hol.ratio: no stage is called 'hol'; did you mean hold?"
    assert told[5].startswith(
        'samples.ranges: stages[1].ratio: must be a number from 1 to 1000 or "infinity"'
    )
    assert told[5].endswith("(in 8 of the samples)")
    assert len(told) == 6


def test_a_combination_may_not_be_called_as_something_written_is():
    told = faults(variations=[{"name": "ratio 2"}], grid={"set": {"hold.ratio": [2]}})
    assert told == ["grid: 'ratio 2' is already the name of variations[0]; names must differ"]


def test_there_must_be_something_to_compare():
    assert faults() == ["variations: nothing to compare; give variations, a grid or samples"]


def chain_of(gains_db):
    return Chain(stages=tuple(Gain(gain_db=float(gain_db)) for gain_db in gains_db))


@given(st.lists(st.lists(st.integers(0, 2), max_size=5), max_size=12))
def test_the_tree_holds_every_chain_and_each_shared_beginning_once(chains):
    made = [Variation(f"v{n:02d}", str(n), "listed", chain_of(gains), {}) for n, gains in enumerate(chains)]
    tree = prefix_tree(made)
    found = {}

    def walk(node, passed):
        passed = (*passed, *node.stages)
        assert not found.keys() & set(node.ends)
        found.update(dict.fromkeys(node.ends, passed))
        firsts = [branch.stages[0] for branch in node.branches]
        assert all(a != b for a, b in itertools.combinations(firsts, 2))
        for branch in node.branches:
            walk(branch, passed)

    walk(tree, ())
    assert found == {each.id: each.chain.stages for each in made}
    assert tree.count() == len({tuple(gains[: n + 1]) for gains in chains for n in range(len(gains))})


@given(st.lists(st.integers(0, 2), max_size=5), st.lists(st.integers(0, 2), max_size=5))
def test_shared_stages_are_those_before_the_first_difference(a, b):
    one, other = (Variation("v", "v", "listed", chain_of(gains), {}) for gains in (a, b))
    count = shared_stages(one, other)
    assert count == shared_stages(other, one)
    assert a[:count] == b[:count]
    assert a[: count + 1] != b[: count + 1] or count == min(len(a), len(b))


def test_the_untouched_input_shares_nothing():
    made = variations(
        Controls(), variations=[{"name": "as it is"}, {"name": "up", "set": {"gain.gain_db": 3}}]
    )
    assert shared_stages(made[0], made[1]) == 0
    assert shared_stages(made[1], made[2]) == 2


def test_pairs_are_those_asked_for_or_each_with_the_untouched_input():
    made = variations(Controls(), variations=[{"name": "a"}, {"name": "b"}])
    assert trial_pairs(Blind(), made) == ((("v01", "v00"), ("v02", "v00")), [])
    assert trial_pairs(Blind(pairs=(("b", "a"),)), made) == ((("v02", "v01"),), [])
    told = trial_pairs(Blind(pairs=(("b", "a"), ("a", "b"), ("a", "a"), ("untuched", "a"))), made)[1]
    assert told == [
        "blind.pairs[1]: is blind.pairs[0] already",
        "blind.pairs[2]: two of the same; the hidden repeat is there for that",
        "blind.pairs[3]: no variation is called 'untuched'; did you mean untouched?",
    ]
