"""The graph: everything arrives together, whatever way it takes, and lanes add up to the mix."""

from __future__ import annotations

import numpy as np
import pytest

from busproc.mixing import start_graph
from busproc.routing import plan_graph
from busproc.run import stream
from busproc.song import load_session
from tests.songs import RATE_HZ, noise, write_session

LATE = [{"stage": "saturator", "mix": 0.0}]  # does nothing, 118 frames late
LATER = [{"stage": "limiter", "ceiling_dbtp": 6.0}]  # does nothing, later still
FLOAT32 = 2.0**-24


def mix_of(session, lane_of=None, block_frames=4096):
    song = load_session(session)
    plan = plan_graph(song, {}, lane_of=lane_of)
    return np.concatenate(list(stream(plan, start_graph(plan), block_frames)))


def stored(sound):
    return sound.astype(np.float32).astype(np.float64)


def test_paths_of_different_latency_arrive_together(tmp_path):
    a, b, c = (noise(0.3, seed) for seed in range(3))
    session = write_session(
        tmp_path,
        {"a": a, "b": b, "c": c},
        {"late": LATE, "later": LATER},
        stem_keys={"a": {"chain": "late.json"}, "b": {"group": "inner"}, "c": {}},
        groups=[
            {"name": "inner", "group": "outer", "chain": "later.json"},
            {"name": "outer", "chain": "late.json"},
        ],
        sends=[
            {"from": "a", "to": "back", "level_db": 0, "tap": "before_chain"},
            {"from": "outer", "to": "back"},
        ],
        returns=[{"name": "back", "chain": "later.json"}],
        mix_bus={"chain": "late.json"},
    )
    a, b, c = map(stored, (a, b, c))
    np.testing.assert_allclose(mix_of(session)[:, 0], 2 * a + 2 * b + c, rtol=0, atol=1e-15)


def test_block_size_does_not_matter(tmp_path):
    session = busy_session(tmp_path)
    whole = mix_of(session, block_frames=1 << 20)
    for block_frames in (333, 4096):
        np.testing.assert_array_equal(mix_of(session, block_frames=block_frames), whole)


def busy_session(folder):
    """Every kind of stage and route at work."""
    squash = {"stage": "compressor", "threshold_dbfs": -40, "ratio": 4, "detector": "peak", "attack_ms": 1}
    return write_session(
        folder,
        {name: noise(0.5, seed, channels=1 + seed % 2, peak=0.5) for seed, name in enumerate("abcd")},
        {
            "squash": [squash | {"key": {"from": "d"}}, {"stage": "saturator", "drive_db": 9}],
            "back": [{"stage": "eq", "bands": [{"shape": "bell", "freq_hz": 500, "gain_db": 6}]}, squash],
            "bus": [
                {"stage": "parallel", "branches": [{"level_db": -6, "stages": [squash]}]},
                {"stage": "saturator", "drive_db": 12},
                {"stage": "width", "width": 1.3, "mono_below_hz": 150},
                {"stage": "limiter", "ceiling_dbtp": -6},
            ],
        },
        stem_keys={
            "a": {"group": "g", "pan": 0.5, "chain": "squash.json"},
            "b": {"group": "g", "ride": [{"at_s": 0.1, "level_db": 0}, {"at_s": 0.3, "level_db": -12}]},
            "c": {"polarity": "inverted", "fade_in_ms": 50, "fade_out_ms": 100, "start_s": 0.05},
        },
        groups=[{"name": "g", "level_db": -1}],
        sends=[{"from": "g", "to": "r", "level_db": -3}, {"from": "c", "to": "r", "tap": "before_chain"}],
        returns=[{"name": "r", "chain": "back.json"}],
        mix_bus={"chain": "bus.json"},
    )


def test_lanes_add_up_to_the_mix_through_the_whole_graph(tmp_path):
    lanes = mix_of(busy_session(tmp_path), {"a": 1, "b": 2, "c": 3, "d": 4})
    assert np.abs(lanes[:, 0]).max() > 0.1
    residue = np.abs(lanes[:, 1:].sum(axis=1) - lanes[:, 0]).max()
    assert residue < 1e-10  # -200 dBFS


def test_contributions_stay_in_their_lane_on_every_way(tmp_path):
    """A linear graph: each lane is what its stems alone would make, whichever buses share them."""
    a, b, c = (noise(0.3, seed) for seed in range(3))
    session = write_session(
        tmp_path,
        {"a": a, "b": b, "c": c},
        {"late": LATE},
        stem_keys={"a": {"group": "g"}, "b": {"group": "g"}},
        groups=[{"name": "g", "chain": "late.json"}],
        sends=[{"from": "g", "to": "r", "level_db": -6}, {"from": "c", "to": "r"}],
        returns=[{"name": "r", "level_db": -6}],
    )
    a, b, c = map(stored, (a, b, c))
    half = 10 ** (-6 / 20)
    expected = {"a": a * (1 + half**2), "b": b * (1 + half**2), "c": c * (1 + half)}
    lanes = mix_of(session, {"a": 1, "b": 2, "c": 3})
    for lane, name in enumerate(expected, 1):
        np.testing.assert_allclose(lanes[:, lane], expected[name], rtol=0, atol=1e-15)
    lanes = mix_of(session, {"a": 1, "b": 1, "c": 2, "r": 3})
    apart = [a + b, c, half * (half * (a + b) + c)]
    for lane, sound in enumerate(apart, 1):
        np.testing.assert_allclose(lanes[:, lane], sound, rtol=0, atol=1e-15)
    np.testing.assert_allclose(lanes[:, 1:].sum(axis=1), lanes[:, 0], rtol=0, atol=1e-15)
    only = mix_of(session, {"b": 7})
    np.testing.assert_allclose(only[:, 1], expected["b"], rtol=0, atol=1e-15)


def test_where_one_lane_is_all_there_is_it_is_the_bus_itself(tmp_path):
    song = load_session(busy_session(tmp_path))
    plan = plan_graph(song, {}, lane_of={"a": 1, "b": 1, "c": 2, "d": 3})
    columns = {bus.bus.name: bus.columns for bus in plan.buses}
    assert columns == {"a": 1, "b": 1, "c": 1, "d": 1, "g": 1, "r": 3, "mix_bus": 4}


def test_the_mix_is_the_same_whether_or_not_lanes_are_carried(tmp_path):
    session = busy_session(tmp_path)
    np.testing.assert_array_equal(mix_of(session)[:, 0], mix_of(session, {"b": 1, "d": 1})[:, 0])


def test_a_key_reaches_its_detector_in_step_with_the_sound(tmp_path):
    """A pad ducked by a click: the gain falls at the click's frame, whatever way each of them takes."""
    pad = np.full((RATE_HZ // 2, 2), 0.1)
    click = np.zeros((RATE_HZ // 2, 2))
    click[12000:12100] = 0.9
    duck = {
        "stage": "compressor",
        "key": {"from": "click"},
        "threshold_dbfs": -40,
        "ratio": 100,
        "knee_db": 0,
    }
    duck |= {"detector": "peak", "attack_ms": 0}
    session = write_session(
        tmp_path,
        {"pad": pad, "click": click},
        {"duck": [*LATER, duck], "late": LATE},
        stem_keys={"pad": {"chain": "duck.json"}, "click": {"chain": "late.json", "heard": False}},
    )
    mix = mix_of(session)[:, 0, 0]
    assert mix[11999] == pytest.approx(0.1)
    assert mix[12000] < 0.002


def test_key_tap_before_the_chain_hears_the_untreated_sound(tmp_path):
    key = noise(0.2, 1)
    off = [{"stage": "gain", "gain_db": -80}]
    for tap, worked in (("before_chain", True), ("after_chain", False)):
        duck = {"stage": "compressor", "key": {"from": "key", "tap": tap}, "threshold_dbfs": -50, "ratio": 10}
        session = write_session(
            tmp_path / tap,
            {"pad": np.full((9600, 2), 0.1), "key": key},
            {"duck": [duck], "off": off},
            stem_keys={"pad": {"chain": "duck.json"}, "key": {"chain": "off.json", "heard": False}},
        )
        assert bool(mix_of(session)[5000, 0, 0] < 0.05) is worked


def test_sends_tap_before_or_after_chain_and_fader(tmp_path):
    a = noise(0.2, 3)
    session = write_session(
        tmp_path,
        {"a": a},
        {"half": [{"stage": "gain", "gain_db": -6.0206}]},
        stem_keys={"a": {"chain": "half.json", "level_db": -6.0206}},
        sends=[
            {"from": "a", "to": "r", "tap": "before_chain"},
            {"from": "a", "to": "r", "tap": "after_chain", "level_db": -20},
        ],
        returns=[{"name": "r"}],
    )
    np.testing.assert_allclose(mix_of(session)[:, 0], stored(a) * (0.25 + 1 + 0.025), atol=1e-6)


@pytest.mark.parametrize("muted", ["stem", "group", "return"])
def test_what_is_muted_is_silent_everywhere(tmp_path, muted):
    a, b = noise(0.2, 1), noise(0.2, 2)
    session = write_session(
        tmp_path,
        {"a": a, "b": b},
        stem_keys={"a": {"group": "g", "mute": muted == "stem"}},
        groups=[{"name": "g", "mute": muted == "group"}],
        sends=[{"from": "g", "to": "r"}],
        returns=[{"name": "r", "mute": muted == "return"}],
    )
    heard = stored(b) + (stored(a) if muted == "return" else 0)
    np.testing.assert_allclose(mix_of(session)[:, 0], heard, atol=1e-15)


def test_a_ride_moves_in_straight_lines_in_db(tmp_path):
    ride = [{"at_s": 0.1, "level_db": 0}, {"at_s": 0.2, "level_db": -20}]
    session = write_session(
        tmp_path,
        {"a": np.full((RATE_HZ // 2, 2), 0.5)},
        {"late": LATE},
        stem_keys={"a": {"chain": "late.json", "ride": ride}},
    )
    mix = mix_of(session)[:, 0, 0]
    at = [0, 4800, 7200, 9600, 20000]
    np.testing.assert_allclose(20 * np.log10(mix[at] / 0.5), [0, 0, -10, -20, -20], atol=1e-6)


def test_fades_are_half_cosines_at_the_ends_of_the_file(tmp_path):
    keys = {"fade_in_ms": 100, "fade_out_ms": 50, "start_s": 0.25}
    session = write_session(tmp_path, {"a": np.full((24000, 2), 0.5)}, stem_keys={"a": keys})
    mix = mix_of(session)[:, 0, 0]
    assert not mix[:12001].any()
    assert mix[12000 + 2400] == pytest.approx(0.25, abs=1e-4)
    assert mix[12000 + 4800] == 0.5
    assert mix[36000 - 1201] == pytest.approx(0.25, abs=1e-3)
    assert mix[35999] == 0


@pytest.mark.parametrize(("channels", "left", "right"), [(1, 0.0, 2**0.5), (2, 0.0, 1.0)])
def test_pan_law_follows_the_file(tmp_path, channels, left, right):
    """Mono at the side: constant power, +3.01 dB; stereo: balance. Common practice, no source."""
    sound = np.full((100, channels), 0.5)
    session = write_session(tmp_path, {"a": sound}, stem_keys={"a": {"pan": 1.0}})
    np.testing.assert_allclose(mix_of(session)[50, 0], [0.5 * left, 0.5 * right], atol=1e-15)


def test_stems_of_another_rate_are_converted(tmp_path):
    """A sine stays a sine of its frequency, level and place (checked by formula, ends left out)."""
    time = np.arange(44100) / 44100
    sine = 0.5 * np.sin(2 * np.pi * 997 * time)[:, None].repeat(2, axis=1)
    session = write_session(tmp_path, {"a": sine}, rates={"a": 44100}, rate_hz=48000)
    mix = mix_of(session)[:, 0, 0]
    truth = 0.5 * np.sin(2 * np.pi * 997 * np.arange(48000) / 48000)
    assert len(mix) == 48000
    assert np.abs(mix - truth)[2000:-2000].max() < 2 * FLOAT32
