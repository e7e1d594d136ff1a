"""What reaches the mix bus, made once and taken through stages, sounds as in the song's own graph."""

from __future__ import annotations

import numpy as np

from busproc.facts import find_facts
from busproc.making import make
from busproc.song import load_session
from busproc.through import entrance_of, through
from tests.songs import noise, write_session

DUCK = {"stage": "compressor", "threshold_dbfs": -40, "ratio": 8, "detector": "peak"}
BUS = [
    {"stage": "eq", "bands": [{"shape": "bell", "freq_hz": 300, "gain_db": 3}]},
    DUCK | {"key": {"from": "click", "tap": "before_chain"}},
    DUCK | {"key": {"from": "low"}, "threshold_dbfs": -30},
    {"stage": "gain", "gain_db": -1, "when": {"measure": "rms_dbfs", "above": -60}},
    {"stage": "saturator", "drive_db": 9},
    {"stage": "limiter", "ceiling_dbtp": -12, "target_lufs": -18},
]


def song_of(folder, **rest):
    stems = {"pad": noise(1.0, 1), "low": noise(1.0, 2), "click": noise(1.0, 3, channels=1)}
    late = [{"stage": "saturator", "drive_db": 3}]
    session = write_session(
        folder,
        stems,
        {"bus": BUS, "late": late},
        stem_keys={
            "pad": {"chain": "late.json"},
            "click": {"heard": False},
            "low": {"group": "under", "level_db": -3},
        },
        groups=[{"name": "under", "chain": "late.json", "level_db": -2}],
        mix_bus={"chain": "bus.json"},
        **rest,
    )
    return load_session(session)


def whole(passed):
    return np.concatenate(list(passed.left.blocks()))


def check_equal(song, folder):
    chain = song.buses["mix_bus"].chain
    made = make(song, [0], folder, 4096, lambda *_: None)
    entrance = entrance_of(song, folder, lambda _: None, [chain])
    passed = through(chain.placed(), entrance, watched=True)
    np.testing.assert_array_equal(whole(passed), made.sounds.mix.read(0, made.sounds.mix.frames))
    assert passed.record == made.places[-1]["decisions"]
    return passed


def test_the_mix_is_the_same_bit_for_bit_keys_facts_and_log_too(tmp_path):
    song = song_of(tmp_path)
    passed = check_equal(song, tmp_path)
    found = find_facts(song, 4096, lambda _: None)
    for place, facts in passed.facts.items():
        assert numbers(facts) == numbers(found[place])


def numbers(facts):
    return {name: value for name, value in facts.items() if isinstance(value, int | float)}


def test_a_tail_that_the_session_sets_is_kept(tmp_path):
    check_equal(song_of(tmp_path, tail_s=0.25), tmp_path)


def test_a_part_of_a_chain_goes_on_where_another_has_ended(tmp_path):
    song = song_of(tmp_path)
    chain = song.buses["mix_bus"].chain
    placed = chain.placed()
    entrance = entrance_of(song, tmp_path, lambda _: None, [chain])
    before = through(placed[:3], entrance, goes_on=True).left
    after = through(placed[3:], before)
    np.testing.assert_array_equal(whole(after), whole(through(placed, entrance)))
