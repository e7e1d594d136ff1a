"""What counts as attack and as body, how far each is changed, and that only distances count."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busproc.stages.transient import EASED_MS, Transient
from tests.stages.probe import RATE_HZ, db, gain_curve, noise, sine, stereo, streamed
from tests.stages.test_gate import frames, record_of
from tests.test_pictures import axes_of, line

WITHIN_DB = 0.5
BEAT = RATE_HZ // 2
STARTS = frames(50)
"""Silence before each stroke."""
ATTACK = slice(STARTS, STARTS + frames(10))
BODY = slice(STARTS + frames(130), STARTS + frames(300))
"""Where a stroke that fades by 60 dB in 0.7 s is all body."""


def stroke(freq_hz=200, fades_ms=100, level=0.5, rises_ms=1.0):
    """A struck tone in half a second."""
    time = np.arange(BEAT - STARTS) / RATE_HZ
    shape = np.exp(-1000 * time / fades_ms) * (1 - np.exp(-1000 * time / rises_ms))
    return np.concatenate([np.zeros(STARTS), level * shape * sine(freq_hz, len(time))])


def change_db(after, before, where, of=np.std):
    return db(of(after[where]) / of(before[where]))


def peak(wave):
    return np.abs(wave).max()


@pytest.mark.parametrize("freq_hz", [60, 200, 1000])
@pytest.mark.parametrize("asked_db", [-12.0, -6.0, 3.0, 6.0, 12.0])
def test_the_attack_changes_by_what_is_asked_and_the_body_stays(asked_db, freq_hz):
    before = stroke(freq_hz)
    after = streamed(Transient(attack_db=asked_db), stereo(before))[:, 0]
    assert change_db(after, before, ATTACK, peak) == pytest.approx(asked_db, abs=WITHIN_DB)
    assert change_db(after, before, ATTACK) == pytest.approx(asked_db, abs=WITHIN_DB)
    assert change_db(after, before, BODY) == pytest.approx(0, abs=WITHIN_DB)


@pytest.mark.parametrize("freq_hz", [60, 200, 1000])
@pytest.mark.parametrize("asked_db", [-12.0, -6.0, 6.0, 12.0])
def test_the_body_changes_by_what_is_asked_and_the_attack_stays(asked_db, freq_hz):
    before = stroke(freq_hz)
    after = streamed(Transient(attack_db=0.0, body_db=asked_db), stereo(before))[:, 0]
    assert change_db(after, before, ATTACK, peak) == pytest.approx(0, abs=WITHIN_DB)
    assert change_db(after, before, BODY) == pytest.approx(asked_db, abs=WITHIN_DB)


def test_a_stroke_over_what_still_rings_has_its_attack_too():
    before = stroke() + sine(330, BEAT, 0.05)
    after = streamed(Transient(attack_db=6.0), stereo(before))[:, 0]
    assert change_db(after, before, ATTACK, peak) == pytest.approx(6, abs=WITHIN_DB)


BOTH = Transient(attack_db=6.0, body_db=-4.0)


def test_the_same_sound_20_db_lower_gets_the_same_gain():
    """Once what came before the sound, at the floor of -90 dBFS, is forgotten."""
    sound = stereo(np.tile(stroke(), 4)) + noise(4 * BEAT, level=0.003)
    loud, soft = (gain_curve(BOTH, level * sound)[BEAT:] for level in (1.0, 0.1))
    assert np.ptp(db(loud)) > 9
    np.testing.assert_allclose(db(soft), db(loud), rtol=0, atol=1e-6)


def test_soft_strokes_among_loud_ones_are_changed_alike():
    before = np.concatenate([stroke(level=level) for level in (0.8, 0.08, 0.4, 0.02)])
    changes = db(gain_curve(BOTH, stereo(before)).reshape(4, BEAT))
    np.testing.assert_allclose(changes[:, ATTACK], 6, rtol=0, atol=WITHIN_DB)
    np.testing.assert_allclose(changes[:, BODY], -4, rtol=0, atol=WITHIN_DB)


@pytest.mark.parametrize("freq_hz", [45, 60, 1000, 15000])
def test_a_steady_tone_passes_bit_for_bit(freq_hz):
    sound, settled = stereo(sine(freq_hz, RATE_HZ, 0.3)), RATE_HZ // 2
    np.testing.assert_array_equal(streamed(BOTH, sound)[settled:], sound[settled:])


@settings(max_examples=20)
@given(attack_db=st.floats(-15, 15), body_db=st.floats(-15, 15), seed=st.integers(0, 99))
def test_no_gain_goes_further_than_what_is_set(attack_db, body_db, seed):
    level = np.repeat(10 ** np.random.default_rng(seed).uniform(-3, 0, 40), 600)
    made = db(
        gain_curve(Transient(attack_db=attack_db, body_db=body_db), noise(24000, seed) * level[:, None])
    )
    assert min(attack_db, body_db, 0) - 1e-9 <= made.min()
    assert made.max() <= max(attack_db, body_db, 0) + 1e-9


def test_the_gain_is_whole_when_the_stroke_comes_and_gets_there_without_a_step():
    before = np.concatenate([np.full(STARTS, 0.001), np.full(BEAT, 0.5)])
    gain_db = db(gain_curve(Transient(attack_db=10.0), stereo(before)))
    eases = STARTS - frames(EASED_MS)
    np.testing.assert_array_equal(gain_db[eases - 500 : eases], 0)
    assert gain_db[eases] > 0
    assert gain_db[STARTS] == pytest.approx(10, abs=1e-6)
    assert np.abs(np.diff(gain_db)).max() < 3 * 10 / frames(EASED_MS)


@pytest.mark.parametrize("attack_ms", [5.0, 20.0, 50.0])
def test_an_attack_lasts_as_long_as_set(attack_ms):
    """Whole for 0.69 of the time (6 dB apart), half of it at 1.0 (4 dB), over at 1.58 (2 dB)."""
    step = np.concatenate([np.zeros(STARTS), np.full(BEAT, 0.5)])
    gain_db = db(gain_curve(Transient(attack_db=10.0, attack_ms=attack_ms), stereo(step)))[STARTS:]
    slack_ms = EASED_MS  # the gain eases out ahead of its time, as it eases in

    def falls_under(level_db):
        return np.argmax(gain_db < level_db) * 1000 / RATE_HZ

    assert 0.69 * attack_ms - slack_ms < falls_under(9.999) < 0.69 * attack_ms + 0.1
    assert attack_ms - slack_ms < falls_under(5.0) < attack_ms + 0.1
    assert 1.58 * attack_ms - slack_ms < falls_under(0.001) < 1.58 * attack_ms + 0.1


def test_it_decides_continuously():
    """A sound that differs by a trillionth is changed by as good as the same gain everywhere."""
    sound = stereo(np.tile(stroke(), 2)) + noise(2 * BEAT, level=0.003)
    nearly = sound * (1 + 1e-12 * noise(len(sound), seed=1))
    np.testing.assert_allclose(gain_curve(BOTH, nearly), gain_curve(BOTH, sound), rtol=0, atol=1e-9)


def test_a_key_has_the_strokes_and_the_bus_does_not():
    keyed = BOTH.model_copy(update={"key": Transient(key={"from": "kick"}).key})
    struck = stereo(stroke())
    gain = gain_curve(keyed, noise(len(struck)), keys={"kick:after_chain": struck})
    np.testing.assert_array_equal(gain, gain_curve(BOTH, struck))


@pytest.mark.parametrize("side", [0, 1])
def test_the_louder_side_decides_whichever_it_is(side):
    both = stereo(stroke())
    one = both.copy()
    one[:, 1 - side] *= 0.1
    np.testing.assert_array_equal(gain_curve(BOTH, one), gain_curve(BOTH, both))


def test_silence_is_neither():
    told = record_of(BOTH, noise(RATE_HZ, level=1e-5))
    assert told["verdict"] == "left alone"
    assert told["why"] == "Under 0.1 dB of change (attack +6 dB, body -4 dB)."


def test_the_log_tells_strokes_time_and_change():
    told = record_of(BOTH, stereo(np.tile(stroke(), 5)))
    attack, body = told["did"]["attack"], told["did"]["body"]
    assert (attack["events"], attack["furthest_db"]) == (5, 6.0)
    assert (body["events"], body["furthest_db"]) == (5, -4.0)
    assert attack["working_percent"] == pytest.approx(6.5, abs=1.5)
    assert max(attack["change_db_10_per_s"]) == 6.0
    assert min(body["change_db_10_per_s"]) == -4.0
    assert told["why"].startswith("Attack raised 5 times, ")
    assert "body lowered 5 times, " in told["why"]
    assert told["verdict"] == "worked"


def test_it_is_drawn_over_a_tone_that_fades_and_one_that_stays():
    fading, staying = (line(axes) for axes in axes_of({"stage": "transient", "attack_db": 6, "body_db": -4}))
    for time_ms, gain_db in (fading, staying):
        np.testing.assert_allclose(gain_db[time_ms < -EASED_MS - 0.1], 0, atol=1e-9)
        np.testing.assert_allclose(gain_db[(time_ms > 0.1) & (time_ms < 10)], 6, atol=0.01)
    np.testing.assert_allclose(fading[1][fading[0] > 130], -4, atol=0.01)
    np.testing.assert_allclose(staying[1][staying[0] > 60], 0, atol=1e-9)
