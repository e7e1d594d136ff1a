"""When echoes come, how loud and from where; that they end when they are said to; what ducks them."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.signal
import soundfile as sf
from pydantic import ValidationError

from busproc.pictures.panels.delay import panel
from busproc.rendering import render
from busproc.stages.base import Key
from busproc.stages.context import Context
from busproc.stages.delay import Delay, note_ms
from busproc.stages.echoes import echoes_heard
from tests.contract.draw import feed
from tests.songs import write_session
from tests.stages.probe import RATE_HZ, db, noise, second_lane, sine, stereo, streamed

ROUNDING = 1e-15
FLAT = 3e-6  # what 128 frames of a windowed sinc do to a gain of 1, measured 2.3e-6
QUIET = 10 ** (-90 / 20)
ECHOES = Delay(mix=1.0, time_ms=25.0, feedback_db=-6.0)


def impulse(frames, sides=(1.0, 1.0)):
    made = np.zeros((frames, 2))
    made[0] = sides
    return made


def test_echoes_come_at_their_time_each_softer_by_the_feedback():
    made = streamed(Delay(mix=0.4, time_ms=25.0, feedback_db=-6.0), impulse(7000, (1.0, -0.5)))
    wanted = np.zeros(7000)
    wanted[0], wanted[1200:6001:1200] = 0.6, 0.4 * 10 ** (-6 * np.arange(5) / 20)
    np.testing.assert_allclose(made, wanted[:, None] * [1.0, -0.5], rtol=0, atol=ROUNDING)


def test_without_feedback_there_is_one_echo():
    made = streamed(ECHOES.model_copy(update={"feedback_db": None}), impulse(9000))
    np.testing.assert_array_equal(np.flatnonzero(made[:, 0]), [1200])


@pytest.mark.parametrize("rate_hz", [44100, 48000])
@pytest.mark.parametrize("echo", [1, 5])
@pytest.mark.parametrize("time_ms", [10.0, 20.6173, 10.98])
def test_an_echo_of_any_time_is_in_its_place_to_a_part_of_a_frame(time_ms, echo, rate_hz):
    """-118 dB from the true sound for each time round, up to 20 kHz; levels of the echoes taken out."""
    frames = time_ms * rate_hz / 1000
    stage = Delay(mix=1.0, time_ms=time_ms, feedback_db=-1.0)
    made = streamed(stage, impulse(round(frames * 7)), rate_hz)[:, 0] * 10 ** ((echo - 1) / 20)
    first, last = (round((echo + side) * frames) for side in (-0.5, 0.5))
    turns = 2 * np.pi * np.linspace(20, 20000, 60) / rate_hz
    found = np.exp(-1j * np.outer(turns, np.arange(first, last))) @ made[first:last]
    worst = np.abs(found - np.exp(-1j * turns * echo * frames)).max()
    assert db(worst) < -118 + 20 * math.log10(echo)


# how many of a note fill how many quarter notes: the meaning of dots and triplets
FILLS = {
    "1/1": (1, 4), "1/1 dotted": (1, 6), "1/1 triplet": (3, 8),
    "1/2": (2, 4), "1/2 dotted": (1, 3), "1/2 triplet": (3, 4),
    "1/4": (1, 1), "1/4 dotted": (2, 3), "1/4 triplet": (3, 2),
    "1/8": (2, 1), "1/8 dotted": (4, 3), "1/8 triplet": (3, 1),
    "1/16": (4, 1), "1/16 dotted": (8, 3), "1/16 triplet": (6, 1),
    "1/32": (8, 1), "1/32 dotted": (16, 3), "1/32 triplet": (12, 1),
}  # fmt: skip


@pytest.mark.parametrize("note", FILLS)
def test_a_note_lasts_as_long_as_written(note):
    count, quarters = FILLS[note]
    assert count * note_ms(note, 93.0) == pytest.approx(quarters * 60000 / 93, rel=1e-14)


def test_there_are_no_other_notes():
    assert set(Delay.model_fields["note"].annotation.__args__[0].__args__) == set(FILLS)


def test_a_note_value_gives_the_echo_of_its_time():
    by_note = Delay(note="1/16 triplet", tempo_bpm=125.0)
    np.testing.assert_array_equal(streamed(by_note, noise(9000)), streamed(Delay(time_ms=80.0), noise(9000)))


@pytest.mark.parametrize("half", [{"note": "1/8"}, {"tempo_bpm": 120.0}])
def test_a_note_needs_a_tempo_and_a_tempo_a_note(half):
    with pytest.raises(ValidationError, match="note and tempo_bpm go together: give both, or neither"):
        Delay(**half)


def test_a_key_that_ducks_nothing_is_refused():
    with pytest.raises(ValidationError, match="key ducks the echoes: give duck_db too"):
        Delay(key=Key(source="voice"))


@pytest.mark.parametrize("echo", [1, 2, 4])
def test_each_echo_has_passed_the_filters_once_more(echo):
    """Butterworth of 12 dB/octave as scipy designs it."""
    stage = Delay(mix=1.0, time_ms=100.0, feedback_db=-3.0, low_cut_hz=300.0, high_cut_hz=5000.0)
    made = streamed(stage, impulse(24000))[:, 0]
    freq_hz = np.geomspace(100, 12000, 30)
    part = slice(echo * 4800 - 64, (echo + 1) * 4800 - 64)
    found = np.abs(np.exp(-2j * np.pi * np.outer(freq_hz / RATE_HZ, np.arange(4800))) @ made[part])
    passed = np.ones(len(freq_hz))
    for kind, corner_hz in (("highpass", 300), ("lowpass", 5000)):
        sos = scipy.signal.butter(2, corner_hz, kind, fs=RATE_HZ, output="sos")
        passed *= np.abs(scipy.signal.sosfreqz(sos, freq_hz, fs=RATE_HZ)[1])
    np.testing.assert_allclose(found, 10 ** (-3 * (echo - 1) / 20) * passed**echo, rtol=0, atol=1e-5)


@pytest.mark.parametrize("ping_pong", [False, True])
@pytest.mark.parametrize("cuts", [{}, {"low_cut_hz": 60.0, "high_cut_hz": 9000.0}])
def test_even_the_most_feedback_is_stable(ping_pong, cuts):
    """In step with itself a tone builds up to 1 / (1 - feedback), never further."""
    stage = Delay(mix=1.0, time_ms=10.4375, feedback_db=-1.0, ping_pong=ping_pong, **cuts)
    most = (1 + FLAT) / (1 - 10 ** (-1 / 20))
    for wave in (np.ones(96000), sine(RATE_HZ / 501 * 24, 96000)):
        made = np.abs(streamed(stage, stereo(wave)))
        assert made[72000:].max() <= most
        assert made[72000:].max() <= made[24000:72000].max() * 1.01


def test_ping_pong_goes_left_right_left():
    stage = ECHOES.model_copy(update={"ping_pong": True})
    left, right = streamed(stage, impulse(5000, (1.0, 0.2))).T
    np.testing.assert_array_equal(np.flatnonzero(left), [1200, 3600])
    np.testing.assert_array_equal(np.flatnonzero(right), [2400, 4800])
    levels = left[1200], right[2400], left[3600], right[4800]
    np.testing.assert_allclose(levels, 0.6 * 10 ** (-6 * np.arange(4) / 20), rtol=1e-14)


def test_width_0_is_mono_and_leaves_the_bus_as_wide_as_it_was():
    sound, stage = noise(5000), ECHOES.model_copy(update={"width": 0.0})
    made = streamed(stage, sound)
    np.testing.assert_array_equal(made[:, 0], made[:, 1])
    wide = streamed(stage.model_copy(update={"mix": 0.5}), sound)
    np.testing.assert_allclose(np.diff(wide), 0.5 * np.diff(sound), rtol=0, atol=ROUNDING)


def full_scale(freq_hz, frames=48000):
    """A tone that stops at once, the worst that can come before a silence."""
    return stereo(np.cos(2 * np.pi * freq_hz / RATE_HZ * np.arange(frames)))


SOUNDS = {
    "constant": full_scale(0),
    "40 Hz": full_scale(40),
    "1 kHz": full_scale(1000),
    "noise": noise(48000),
}
TAILS = [
    ECHOES,
    ECHOES.model_copy(update={"mix": 0.1, "feedback_db": None}),
    Delay(mix=1.0, time_ms=10.0, feedback_db=-1.0, ping_pong=True),
    Delay(mix=1.0, time_ms=10.0, feedback_db=None, low_cut_hz=20.0),
    Delay(mix=1.0, time_ms=10.0, feedback_db=-1.0, high_cut_hz=500.0),
    Delay(mix=1.0, time_ms=12.3, feedback_db=-3.0, low_cut_hz=40.0),
    Delay(mix=0.5, time_ms=77.7, feedback_db=-2.0, low_cut_hz=40.0, high_cut_hz=1000.0),
    Delay(mix=1.0, time_ms=300.0, feedback_db=-20.0, high_cut_hz=500.0),
]


def ring(stage, sound):
    """What is heard after a sound, and how much of it the stage says there is."""
    tail = stage.plan(Context(RATE_HZ)).tail_frames
    return streamed(stage, np.concatenate([sound, np.zeros((tail + 48000, 2))]))[len(sound) :], tail


@pytest.mark.parametrize("stage", TAILS, ids=range(len(TAILS)))
@pytest.mark.parametrize("sound", SOUNDS)
def test_a_tail_ends_under_90_db_below_full_scale(stage, sound):
    rings, tail = ring(stage, SOUNDS[sound])
    assert np.abs(rings[tail:]).max() < QUIET


@pytest.mark.parametrize("feedback_db", [-1.0, -6.0, -30.0])
def test_a_tail_is_not_longer_than_it_need_be(feedback_db):
    """One echo sooner it would have been cut while it could be heard."""
    rings, tail = ring(Delay(mix=1.0, time_ms=20.0, feedback_db=feedback_db), SOUNDS["constant"])
    assert np.abs(rings[tail - 960 - 300 :]).max() > QUIET


def test_echoes_are_counted_until_those_to_come_add_up_to_less_than_90_db_below():
    for level, feedback in ((1.0, 0.89), (0.25, 0.4), (1e-3, 0.7)):
        count, later = 0, level / (1 - feedback)
        while later > QUIET:
            later, count = later * feedback, count + 1
        assert echoes_heard(level, feedback) == count


def test_echoes_die_away_to_silence_and_leave_no_denormals():
    made = streamed(Delay(mix=1.0, time_ms=10.0, feedback_db=-9.0, low_cut_hz=100.0), impulse(60000))
    assert not made[-10000:].any()
    assert np.abs(made[made != 0]).min() > 1e-45


def ducked_db(stage, bus, keys=None):
    """How far an echo each 10 ms of a steady lane is down, in song time."""
    echoes = second_lane(stage, bus, np.ones_like(bus), keys=keys)[:, 0]
    return -db(echoes[480:])


STEADY = Delay(mix=1.0, time_ms=10.0, feedback_db=None, duck_db=12.0, duck_threshold_dbfs=-30.0)


# threshold -30 dBFS, knee 6 dB: half the overshoot's way in the bend, then dB for dB, then 12 dB at most
@pytest.mark.parametrize(
    ("level_dbfs", "reduction_db"), [(-34, 0), (-30, 0.75), (-22, 8), (-18, 12), (-3, 12)]
)
def test_echoes_are_turned_down_by_the_level_over_the_threshold(level_dbfs, reduction_db):
    bus = stereo(sine(1000, 24000, 10 ** (level_dbfs / 20)))
    assert ducked_db(STEADY, bus)[12000:] == pytest.approx(reduction_db, abs=0.1)


def test_echoes_come_back_at_the_release():
    bus = stereo(sine(1000, 96000, 0.5) * (np.arange(96000) < 24000))
    found = ducked_db(STEADY.model_copy(update={"duck_release_ms": 500.0}), bus)
    left = np.argmax(found < 12 * math.exp(-1)) + 480 - 24000
    assert 500 < left / 48 < 500 + 90  # the RMS must fall by 24 dB first: 10 ms * ln(10) * 2.4 = 55 ms
    assert found[-1] < 1.0


def test_a_key_ducks_in_place_of_the_bus():
    loud, silent = stereo(sine(1000, 24000, 0.5)), np.zeros((24000, 2))
    keyed = STEADY.model_copy(update={"key": Key(source="voice")})
    assert ducked_db(keyed, silent, {"voice:after_chain": loud})[12000:] == pytest.approx(12, abs=0.01)
    np.testing.assert_array_equal(ducked_db(keyed, loud, {"voice:after_chain": silent}), 0.0)


def test_the_bus_itself_is_not_ducked():
    sound = noise(9000, level=0.5)
    made = streamed(Delay(mix=0.4, time_ms=180.0, duck_db=20.0), sound)
    np.testing.assert_allclose(made[:8640], 0.6 * sound[:8640], rtol=ROUNDING)


def record(stage, sound):
    here = Context(RATE_HZ, "returns.echo.stages[0]")
    plan = stage.plan(here)
    state = stage.start(plan, 1, here)
    feed(stage, plan, state, sound[:, None].copy())
    return stage.record(plan, state, here)


def test_the_log_tells_time_number_and_ducking():
    stage = Delay(note="1/8 dotted", tempo_bpm=120.0, feedback_db=-9.0, duck_db=6.0)
    told = record(stage, noise(48000))
    assert told["why"].startswith(
        "An echo every 375 ms (1/8 dotted at 120 BPM), each 9 dB under the one before, 10 over -90 dBFS"
    )
    assert told["why"].endswith("; ducked 100% of the time, by 6.0 dB at most.")
    assert told["did"]["time_ms"] == 375
    assert told["did"]["tail_s"] == pytest.approx(3.75, abs=0.01)
    assert told["did"]["ducking"]["deepest_db"] == pytest.approx(6, abs=0.01)


def test_the_picture_shows_each_echo_in_its_place():
    ((levels,), (responses,)) = panel(Delay(mix=0.5, time_ms=200.0, feedback_db=-6.0), RATE_HZ).rows
    left = levels.curves[0]
    heard = left.y > -60
    np.testing.assert_allclose(left.x[heard], 0.2 * np.arange(heard.sum()), rtol=0, atol=0.01)
    np.testing.assert_allclose(left.y[heard][1:], -6.02 - 6 * np.arange(heard.sum() - 1), atol=0.01)
    for echo, curve in zip((1, 2, 4), responses.curves, strict=True):
        np.testing.assert_allclose(curve.y, -6.02 - 6 * (echo - 1), atol=0.01)


def word(at_s, seed):
    made = np.zeros((2 * RATE_HZ, 2))
    first = round(at_s * RATE_HZ)
    made[first : first + 4800] = noise(4800, seed, 0.2)
    return made


def test_a_send_that_is_ridden_throws_a_single_word(tmp_path):
    """Words at 0.2 and 0.8 s; the send is up around the second one alone."""
    ride = [(0.0, -80), (0.7, -80), (0.75, 0), (0.95, 0), (1.0, -80)]
    chains = {"echo": [{"stage": "delay", "mix": 1, "time_ms": 300, "feedback_db": -10}]}
    session = write_session(
        tmp_path,
        {"voice": word(0.2, 1) + word(0.8, 2)},
        chains,
        sends=[
            {"from": "voice", "to": "echo", "ride": [{"at_s": at, "level_db": level} for at, level in ride]}
        ],
        returns=[{"name": "echo", "chain": "echo.json"}],
        tail_s=1.0,
    )
    mix, _ = sf.read(render(session, tmp_path / "out").files[0])
    dry = np.pad(word(0.2, 1) + word(0.8, 2), ((0, RATE_HZ), (0, 0)))
    thrown = np.zeros_like(dry)
    for echo in range(1, 8):
        late = round(0.3 * echo * RATE_HZ)
        thrown[late:] += 10 ** (-10 * (echo - 1) / 20) * np.pad(word(0.8, 2), ((0, RATE_HZ), (0, 0)))[:-late]
    assert np.abs(mix - dry - thrown).max() < 0.2 * 10 ** (-79 / 20)
