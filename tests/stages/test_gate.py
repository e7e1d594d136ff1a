"""When a gate opens and closes, how far, at what pace; that it does not chatter; what its log says."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from busproc.stages.context import Context
from busproc.stages.eq import Pass
from busproc.stages.gate import Gate
from tests.contract.draw import feed
from tests.stages.probe import RATE_HZ, db, gain_curve, noise, sine, stereo, streamed
from tests.test_pictures import axes_of, line, point

STATIC_DB = 0.001
PACE = 0.01  # of the stated time
ROUNDING_DB = 1e-6

AT_ONCE = {"attack_ms": 0.0, "hold_ms": 0.0, "release_ms": 1.0, "lookahead_ms": 0.0}
SOON = 20 * RATE_HZ // 1000
"""Frames after which a release of 1 ms has settled to a millionth of a dB."""


def frames(time_ms):
    return round(time_ms * RATE_HZ / 1000)


def levels(*steps_dbfs, each=SOON):
    """Steps of a steady level, `each` frames long."""
    return stereo(np.repeat(10 ** (np.array(steps_dbfs) / 20), each))


def settled_db(gate, *steps_dbfs):
    """Gain at the end of each step."""
    return db(gain_curve(gate, levels(*steps_dbfs))[SOON - 1 :: SOON])


@settings(max_examples=60)
@given(
    under_db=st.floats(-10, 20),
    threshold_dbfs=st.floats(-90, 0),
    ratio=st.one_of(st.floats(1, 4), st.floats(4, 1000), st.just("infinity")),
    range_db=st.floats(0, 60),
)
def test_a_steady_level_is_turned_down_by_the_formula(under_db, threshold_dbfs, ratio, range_db):
    """Under the threshold the output falls by the ratio, until the range is used up (common practice)."""
    level_db = threshold_dbfs - under_db
    assume(abs(under_db) > 1e-6)
    gate = Gate(threshold_dbfs=threshold_dbfs, ratio=ratio, range_db=range_db, **AT_ONCE)
    wanted = min(range_db, (math.inf if ratio == "infinity" else ratio - 1) * under_db) if under_db > 0 else 0
    found = db(gain_curve(gate, np.full((4, 2), 10 ** (level_db / 20)))[-1])
    assert found == pytest.approx(-wanted, abs=STATIC_DB)


def test_coming_from_above_the_curve_is_the_same():
    """The follower that let go has settled on it as well."""
    gate = Gate(threshold_dbfs=-30.0, ratio=3.0, hysteresis_db=0.0, **AT_ONCE)
    np.testing.assert_allclose(
        settled_db(gate, -20, -31, -35, -45, -60, -33), [0, -2, -10, -30, -40, -6], atol=STATIC_DB
    )


def test_hysteresis_keeps_it_open_until_the_level_is_as_far_under_the_threshold():
    gate = Gate(threshold_dbfs=-30.0, range_db=20.0, hysteresis_db=6.0, **AT_ONCE)
    steps = {-31: -20, -29.5: 0, -31.5: 0, -35.5: 0, -36.5: -20, -34: -20, -30.5: -20, -29: 0}
    np.testing.assert_allclose(settled_db(gate, *steps), list(steps.values()), atol=ROUNDING_DB)


def test_an_expander_with_hysteresis_falls_to_its_curve_when_it_closes():
    gate = Gate(threshold_dbfs=-30.0, ratio=3.0, hysteresis_db=4.0, **AT_ONCE)
    np.testing.assert_allclose(settled_db(gate, -29, -33.9, -34.1, -33.9), [0, 0, -8.2, -7.8], atol=STATIC_DB)


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
@pytest.mark.parametrize("time_ms", [1.0, 10.0, 100.0])
def test_attack_and_release_take_their_time_to_63_percent(rate_hz, time_ms):
    loud = round(12 * time_ms * rate_hz / 1000)
    steps = stereo(np.concatenate([np.full(10, 0.001), np.full(loud, 0.5), np.full(loud, 0.001)]))
    gate = Gate(attack_ms=time_ms, hold_ms=0.0, release_ms=time_ms, lookahead_ms=0.0)
    openness = 1 + db(gain_curve(gate, steps, rate_hz)) / 40
    for at, progress in ((10, openness), (10 + loud, 1 - openness)):
        assert crossing(progress[at - 1 :], 1 - math.exp(-1)) * 1000 / rate_hz == pytest.approx(
            time_ms, rel=PACE
        )


def crossing(rising, level):
    """Where a curve reaches a level, between its points."""
    after = int(np.argmax(rising >= level))
    return after - (rising[after] - level) / (rising[after] - rising[after - 1])


def burst(loud_ms=100, after_ms=300, freq_hz=None):
    """Silence for 50 ms, sound, silence; first and last frame of the sound."""
    loud = np.full(frames(loud_ms), 0.5) if freq_hz is None else sine(freq_hz, frames(loud_ms), 0.5)
    wave = np.concatenate([np.zeros(frames(50)), loud, np.zeros(frames(after_ms))])
    return stereo(wave), frames(50), frames(50) + len(loud) - 1


@pytest.mark.parametrize("lookahead_ms", [0.0, 5.0])
@pytest.mark.parametrize("hold_ms", [0.0, 40.0, 200.0])
def test_it_holds_as_long_as_set_whatever_the_look_ahead(hold_ms, lookahead_ms):
    sound, _, last = burst()
    gate = Gate(hold_ms=hold_ms, lookahead_ms=lookahead_ms)
    gain = gain_curve(gate, sound)
    closes = last + 1 + int(np.argmax(gain[last + 1 :] < 1 - 1e-9))
    assert closes == last + 1 + frames(hold_ms)
    assert gain[-1] < 1


@pytest.mark.parametrize("lookahead_ms", [1.0, 2.0, 10.0])
def test_look_ahead_opens_before_the_hit(lookahead_ms):
    """What the description says: open to within 0.7 dB after four attacks."""
    sound, first, _ = burst()
    gain_db = db(gain_curve(Gate(attack_ms=lookahead_ms / 4, lookahead_ms=lookahead_ms), sound))
    opens = first - frames(lookahead_ms)
    np.testing.assert_array_equal(gain_db[:opens], gain_db[0])
    assert gain_db[0] == pytest.approx(-40, abs=ROUNDING_DB)
    assert gain_db[opens] > -40 + 0.1
    assert gain_db[first] > -0.75


def test_without_look_ahead_the_hit_begins_softer():
    sound, first, _ = burst()
    gain_db = db(gain_curve(Gate(attack_ms=0.5, lookahead_ms=0.0), sound))
    assert gain_db[first - 1] == pytest.approx(-40, abs=ROUNDING_DB)
    assert gain_db[first] < -38


def fading(freq_hz, seed=0):
    """A tone that fades by 50 dB in a second and 100 dB in two, with noise at -50 dBFS."""
    time = np.arange(2 * RATE_HZ) / RATE_HZ
    tone = sine(freq_hz, len(time), 0.5) * 10 ** (-50 * time / 20)
    return stereo(tone) + noise(len(time), seed, 10 ** (-50 / 20))


def closings(gate, sound):
    return record_of(gate, sound)["did"]["events"] - 1  # it begins closed


@pytest.mark.parametrize("detector", ["peak", "rms"])
@pytest.mark.parametrize("freq_hz", [41, 110, 440])
def test_a_fading_tone_with_noise_does_not_make_it_chatter(freq_hz, detector):
    gate = Gate(detector=detector, release_ms=20.0)
    assert [closings(gate, fading(freq_hz, seed)) for seed in range(4)] == [1, 1, 1, 1]


def test_without_hysteresis_and_hold_it_would():
    bare = {"hysteresis_db": 0.0, "hold_ms": 0.0, "release_ms": 20.0, "lookahead_ms": 0.0}
    assert closings(Gate(**bare), fading(110)) > 20
    assert closings(Gate(**bare, detector="rms"), fading(110)) > 1


def test_an_open_gate_passes_every_bit():
    """On a tone of 20 Hz as well, whose half wave of 25 ms is within the hold."""
    sound = stereo(sine(20, RATE_HZ, 0.5))
    opened = RATE_HZ // 4
    np.testing.assert_array_equal(streamed(Gate(), sound)[opened:], sound[opened:])


def test_a_closed_gate_leaves_the_range():
    sound = noise(RATE_HZ // 4, level=0.001)
    np.testing.assert_allclose(streamed(Gate(range_db=26.0), sound), sound * 10 ** (-26 / 20), rtol=1e-9)


@pytest.mark.parametrize("side", [0, 1])
@pytest.mark.parametrize("detector", ["peak", "rms"])
def test_the_louder_side_opens_it_whichever_it_is(side, detector):
    both, _, _ = burst(freq_hz=500)
    one = both.copy()
    one[:, 1 - side] *= 0.1
    gate = Gate(detector=detector, threshold_dbfs=-20.0)
    np.testing.assert_array_equal(gain_curve(gate, one), gain_curve(gate, both))


def test_the_rms_detector_hears_a_tone_as_its_peak_and_a_click_hardly():
    """One frame at -6 dBFS is, over 10 ms, 2 * 0.25 / 480 in power: -30 dBFS."""
    tone, click = stereo(sine(500, RATE_HZ // 2)), np.zeros((9000, 2))
    click[4000] = 0.5
    opened = {
        (detector, name): bool(gain_curve(Gate(threshold_dbfs=-20.0, detector=detector), sound).max() > 0.99)
        for detector in ("peak", "rms")
        for name, sound in {"over": 0.106 * tone, "under": 0.094 * tone, "click": click}.items()
    }
    assert {found for found, opens in opened.items() if opens} == {
        *(("peak", "over"), ("peak", "click"), ("rms", "over"))
    }


def test_a_key_opens_it_and_the_bus_does_not():
    keyed = Gate(key={"from": "kick"}, threshold_dbfs=-20.0)
    stroke, _, _ = burst()
    gain = gain_curve(keyed, noise(len(stroke)), keys={"kick:after_chain": stroke})
    np.testing.assert_array_equal(gain, gain_curve(keyed.model_copy(update={"key": None}), stroke))
    assert (gain[:100] < 0.02).all()
    assert gain.max() == 1


def test_what_the_side_chain_takes_out_does_not_open_it():
    rumble, _, _ = burst(freq_hz=30)
    cut = Pass(shape="high_pass", freq_hz=400.0, slope_db_per_octave=24)
    assert gain_curve(Gate(), rumble).max() == 1
    assert gain_curve(Gate(side_chain=(cut,), threshold_dbfs=-30.0), rumble).max() < 0.02


def record_of(stage, sound):
    here = Context(RATE_HZ)
    plan = stage.plan(here)
    state = stage.start(plan, 1, here)
    feed(stage, plan, state, sound[:, None].copy(), blocks=4096)
    return stage.record(plan, state, here)


def test_the_log_tells_how_long_it_was_closed_how_often_and_how_far():
    """Bursts of 100 ms each half second, held for 50 ms: closed 70 % of the time, at the start once more."""
    one = np.concatenate([np.zeros(frames(200)), np.full(frames(100), 0.5), np.zeros(frames(200))])
    gate = Gate(attack_ms=0.0, hold_ms=50.0, release_ms=1.0, lookahead_ms=0.0, range_db=20.0)
    told = record_of(gate, stereo(np.tile(one, 8)))
    assert told["did"]["working_percent"] == pytest.approx(70, abs=0.5)
    assert told["did"]["events"] == 9
    assert (told["did"]["median_db"], told["did"]["deepest_db"]) == (20.0, 20.0)
    assert told["verdict"] == "worked"
    assert told["why"].startswith("Closed, or not fully open, 70% of the time, 9 times; reduction 20.0 dB in")


def test_the_log_says_when_it_never_opens():
    told = record_of(Gate(key={"from": "kick"}, threshold_dbfs=0.0), noise(RATE_HZ // 2, level=0.01))
    assert told["why"].startswith("Never fully open, as nothing reached 0 dBFS for long; reduction 40.0 dB")
    assert told["why"].endswith(" It listens to kick.")


def test_the_log_says_when_nothing_closes_it():
    told = record_of(Gate(attack_ms=0.0), stereo(np.full(9000, 0.5)))
    assert told["verdict"] == "left alone"
    assert "threshold -40 dBFS" in told["why"]


def test_it_is_drawn_with_its_curve_up_and_down_and_its_pace():
    curve = {"threshold_dbfs": -30, "ratio": 3, "range_db": 20, "hysteresis_db": 6}
    pace = {"attack_ms": 2, "hold_ms": 15, "release_ms": 90, "lookahead_ms": 0}
    static, opens, closes = axes_of({"stage": "gate", **curve, **pace})
    level_in, rising = line(static, "rising")
    under = level_in - np.clip(2 * (-30 - level_in), 0, 20)
    np.testing.assert_allclose(rising, under, rtol=0, atol=0.01)
    _, falling = line(static, "falling")
    told = np.abs(level_in + 36) > 0.1
    np.testing.assert_allclose(
        falling[told], np.where(level_in > -36, level_in, under)[told], rtol=0, atol=0.01
    )
    assert point(opens)[0] == pytest.approx(2, abs=0.05)
    assert point(closes)[0] == pytest.approx(90 + 15, abs=0.5)
