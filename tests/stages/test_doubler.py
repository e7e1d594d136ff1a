"""Where copies are, how far off their pitch, and what mono loses by them."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.signal

from busproc.demo.synth import make_song
from busproc.pictures.panels.doubler import panel
from busproc.stages.context import Context
from busproc.stages.doubler import LATER, Doubler
from tests.contract.draw import feed
from tests.stages.probe import RATE_HZ, db, noise, sine, stereo, streamed

INTERPOLATED = 10 ** (-75 / 20)  # what kernels/moving_taps.py promises up to 18 kHz
ROUNDING = 1e-15
MOST_LOST_DB = 3.0
BOUND_DB = 10 * math.log10(1 / (1 - (0.35 / 0.65) ** 2))  # 1.49: worked out in the stage's description
ONLY = {"mix": 1.0, "width": 1.0}


@pytest.mark.parametrize("copies", [2, 4])
@pytest.mark.parametrize("rate_hz", [44100, 48000])
def test_without_detuning_each_copy_stands_at_its_delay(copies, rate_hz):
    stage = Doubler(copies=copies, delay_ms=20.3, detune_cents=0.0, mix=0.4)
    impulse = np.zeros((4000, 2))
    impulse[0] = 1.0
    made = streamed(stage, impulse, rate_hz)
    turns = 2 * np.pi * np.linspace(50, 18000, 60) / rate_hz
    found = np.exp(-1j * np.outer(turns, np.arange(4000))) @ made
    for side in (0, 1):
        late = [0.0203 * rate_hz * later for later in LATER[side:copies:2]]
        wanted = 0.6 + 0.4 * sum(np.exp(-1j * turns * each) for each in late) / len(late)
        assert np.abs(found[:, side] - wanted).max() < INTERPOLATED


def test_copies_are_made_of_mid():
    side = noise(9000)[:, :1] * [1.0, -1.0]
    np.testing.assert_allclose(streamed(Doubler(), side), 0.65 * side, rtol=0, atol=ROUNDING)


@pytest.mark.parametrize("copies", [2, 4])
def test_width_0_puts_all_copies_in_the_middle_and_width_1_none(copies):
    sound = stereo(noise(9000)[:, 0])
    middle = streamed(Doubler(copies=copies, width=0.0, mix=1.0), sound)
    np.testing.assert_allclose(middle[:, 0], middle[:, 1], rtol=0, atol=ROUNDING)
    apart = streamed(Doubler(copies=copies, **ONLY), sound)
    np.testing.assert_allclose(middle[:, 0], apart.mean(axis=1), rtol=0, atol=ROUNDING)
    assert abs(np.corrcoef(apart.T)[0, 1]) < 0.1


def pitch_cents(wave, freq_hz):
    """How far off a tone is over each 10 ms, but for its ends."""
    turned = np.unwrap(np.angle(scipy.signal.hilbert(wave)))[4800:-4800]
    return 1200 * np.log2((turned[480:] - turned[:-480]) * 100 / (2 * np.pi * freq_hz))


@pytest.mark.parametrize("detune_cents", [3.0, 8.0, 25.0])
@pytest.mark.parametrize("seed", [1, 7])
def test_pitch_wanders_up_and_down_by_half_to_all_of_what_is_set(detune_cents, seed):
    tone = stereo(sine(1000, 10 * RATE_HZ))
    made = streamed(Doubler(detune_cents=detune_cents, seed=seed, **ONLY), tone)
    for side in (0, 1):
        off = pitch_cents(made[:, side], 1000)
        assert np.abs(off).max() < detune_cents * 1.001
        swings = off[: len(off) // RATE_HZ * RATE_HZ].reshape(-1, RATE_HZ)  # one swing is shorter than that
        assert np.abs(swings).max(axis=1).min() > detune_cents / 2
        assert abs(off.mean()) < detune_cents / 8


def test_another_seed_wanders_another_way_at_the_same_delay():
    sound = stereo(noise(9000)[:, 0])
    one, other = (streamed(Doubler(seed=seed, **ONLY), sound) for seed in (1, 2))
    assert np.abs(one - other).max() > 0.1
    paths = [Doubler(seed=seed).plan(Context(RATE_HZ)).treatment.aims for seed in (1, 2)]
    np.testing.assert_allclose(*(path.mean(axis=1) for path in paths), rtol=1e-3)


def run_late(stage, sound, late):
    """A sound that reaches the stage `late` frames after its time, as behind a stage with latency."""
    context = Context(RATE_HZ, arrival_frames=late)
    plan = stage.plan(context)
    state = stage.start(plan, 1, context)
    return feed(stage, plan, state, np.pad(sound, ((late, 0), (0, 0)))[:, None])[late:, 0]


def test_the_path_follows_song_time_however_late_the_bus_is():
    sound = noise(20000)
    np.testing.assert_array_equal(run_late(Doubler(), sound, 3333), run_late(Doubler(), sound, 0))


def test_a_part_of_a_song_is_doubled_as_in_the_whole():
    sound = noise(3 * RATE_HZ)
    part = sound.copy()
    part[:RATE_HZ] = 0
    whole, alone = streamed(Doubler(), sound), streamed(Doubler(), part)
    late = Doubler().plan(Context(RATE_HZ)).tail_frames
    np.testing.assert_array_equal(alone[RATE_HZ + late :], whole[RATE_HZ + late :])


@pytest.mark.parametrize("stage", [Doubler(), Doubler(copies=4, delay_ms=60.0, detune_cents=25.0)])
def test_the_tail_is_the_latest_copy_and_then_there_is_silence(stage):
    tail = stage.plan(Context(RATE_HZ)).tail_frames
    made = streamed(stage, np.concatenate([noise(2 * RATE_HZ), np.zeros((tail + 9000, 2))]))[2 * RATE_HZ :]
    latest_ms = stage.delay_ms * max(LATER[: stage.copies]) + 0.185 * stage.detune_cents  # half of a swing
    assert tail <= latest_ms * RATE_HZ / 1000 + 17
    assert not made[tail:].any()
    assert np.abs(made[: round(stage.delay_ms * RATE_HZ / 1000)]).max() > 0.1


def by_band_db(sound, bands_an_octave):
    """Level of (L + R) / 2 less that of both sides together in each band that sounds."""
    both = np.mean(np.abs(np.fft.rfft(sound, axis=0)) ** 2, axis=1)
    mono = np.abs(np.fft.rfft(sound.mean(axis=1))) ** 2
    freq_hz = np.fft.rfftfreq(len(sound), 1 / RATE_HZ)
    centres = 1000 * 2.0 ** np.arange(-5, 4.01, 1 / bands_an_octave)
    reach = 2 ** (0.5 / bands_an_octave)
    inside = [(freq_hz > centre / reach) & (freq_hz <= centre * reach) for centre in centres]
    heard = 1e-6 * max(both[band].sum() for band in inside)
    return np.array([db(mono[b].sum() / both[b].sum()) / 2 for b in inside if both[b].sum() > heard])


def voice():
    """A sung vowel: 150 Hz with vibrato, its harmonics raised around 700, 1100 and 2600 Hz."""
    time = np.arange(8 * RATE_HZ) / RATE_HZ
    turned = 2 * np.pi * 150 * time + 1.5 * np.sin(2 * np.pi * 5.2 * time)
    wave = np.zeros(len(time))
    for k in range(1, 60):
        level = sum(
            gain / (1 + ((150 * k - f) / 90) ** 2) for f, gain in ((700, 1), (1100, 0.7), (2600, 0.3))
        )
        wave += (level + 0.3 / k) * np.sin(k * turned)
    return 0.1 * wave


@pytest.fixture(scope="module")
def sources():
    """Sounds from one place, 8 s each, that begin and end softly: noise, a voice, players of the demo."""
    found = {"noise": 0.1 * noise(8 * RATE_HZ)[:, 0], "voice": voice()}
    for name, sound in make_song(RATE_HZ).items():
        found[name] = sound[24 * RATE_HZ : 32 * RATE_HZ].reshape(8 * RATE_HZ, -1).mean(axis=1)
    fade = np.sin(np.pi * np.arange(8 * RATE_HZ) / (8 * RATE_HZ)) ** 2
    return {name: stereo(wave * fade) for name, wave in found.items()}


@pytest.mark.parametrize("settings", [{}, {"copies": 4}, {"detune_cents": 0.0}, {"delay_ms": 8.0}], ids=str)
def test_folded_to_mono_it_loses_less_than_3_db_in_any_octave(sources, settings):
    """Third octaves too, and by default all stay within what is worked out for a steady tone."""
    for name, sound in sources.items():
        made = streamed(Doubler(**settings), sound)
        for bands_an_octave in (1, 3):
            lost_db = -by_band_db(made, bands_an_octave).min()
            assert 0.1 < lost_db < BOUND_DB + 0.1 < MOST_LOST_DB, name


def test_no_steady_tone_loses_more_than_is_worked_out():
    """Tones from 60 Hz, each for 4 s: the worst moment of any half second."""
    worst = 0.0
    for freq_hz in np.geomspace(60, 15000, 60):
        made = streamed(Doubler(), stereo(sine(freq_hz, 4 * RATE_HZ)))[RATE_HZ // 2 :]
        windows = made.reshape(7, -1, 2)
        mono, both = (windows.mean(axis=2) ** 2).mean(axis=1), (windows**2).mean(axis=(1, 2))
        worst = max(worst, (-db(mono / both) / 2).max())
    assert 1.0 < worst < BOUND_DB + 0.01


@pytest.mark.parametrize("mix", [0.1, 0.35, 0.41])
def test_the_most_that_a_tone_can_lose_is_as_worked_out(mix):
    """Every pair of phases that a copy on the left and one on the right can have."""
    gain = mix / (1 - mix)
    left, right = (gain * np.exp(1j * each) for each in np.meshgrid(*[np.linspace(0, 2 * np.pi, 721)] * 2))
    both = (np.abs(1 + left) ** 2 + np.abs(1 + right) ** 2) / 2
    lost_db = -10 * np.log10(np.abs(1 + (left + right) / 2) ** 2 / both)
    assert lost_db.max() == pytest.approx(10 * math.log10(1 / (1 - gain**2)), abs=2e-3)
    assert lost_db.max() < MOST_LOST_DB


def test_the_log_has_what_mono_loses_by_band(sources):
    here, stage = Context(RATE_HZ), Doubler()
    plan = stage.plan(here)
    state = stage.start(plan, 1, here)
    made = feed(stage, plan, state, sources["noise"][:, None].copy(), 4096)[:, 0]
    told = stage.record(plan, state, here)
    lost = told["did"]["mono_loss_db"]
    assert {"31.5", "63", "125", "250", "500", "1000", "2000", "4000", "8000", "16000"} <= set(lost)
    assert min(lost.values()) == pytest.approx(by_band_db(made, 3).min(), abs=0.15)
    worst = min(lost, key=lost.get)
    assert f"folded to mono it loses most at {worst} Hz, {-lost[worst]:.1f} dB" in told["why"]


def test_the_picture_shows_delay_and_pitch_of_each_copy():
    ((late, off),) = panel(Doubler(copies=4, detune_cents=10.0), RATE_HZ).rows
    assert [curve.y.mean() for curve in late.curves] == pytest.approx(20 * np.array(LATER), rel=0.02)
    for curve in off.curves:
        assert 5 < np.abs(curve.y).max() < 10
