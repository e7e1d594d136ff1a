"""The room: its levels, its sides, what enters it and when, how it moves, and where it ends."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy import signal

from busproc.chain import process
from busproc.errors import InputError
from busproc.presets import load_preset
from busproc.stages.absorption import Decay
from busproc.stages.context import Context
from busproc.stages.reverb import Reverb
from tests.stages.probe import RATE_HZ, db, noise

ALONE = {"mix": 1.0, "pre_delay_ms": 0.0}
EVEN = {"decay_s": 1.0, "decay_low_s": 1.0, "decay_high_s": 1.0}


def response(reverb, seconds=2.0, sides=(1.0, 0.0), at=0):
    impulse = np.zeros((round(seconds * RATE_HZ), 2))
    impulse[at] = sides
    return process(reverb, impulse, RATE_HZ)


def made(reverb, rate_hz=RATE_HZ):
    return reverb.plan(Context(rate_hz)).treatment.network


def correlation(sound):
    return np.corrcoef(sound.T)[0, 1]


@pytest.mark.parametrize("rate_hz", [16000, 44100, 192000])
@pytest.mark.parametrize("size_ms", [5.0, 25.0, 80.0])
def test_lengths_are_prime_and_around_the_size(size_ms, rate_hz):
    room = Reverb(size_ms=size_ms)
    lengths = np.diff(made(room, rate_hz).ends)
    assert len(lengths) == 16
    assert all(math.gcd(*pair) == 1 for pair in itertools.combinations(lengths.tolist(), 2))
    assert lengths.mean() == pytest.approx(size_ms / 1000 * rate_hz, rel=0.1, abs=10)


def test_no_line_gives_more_than_it_takes_at_any_frequency():
    """However far apart the decay times are, so that nothing can grow; gains at all of 2000 frequencies."""
    times = (0.2, 0.9, 4.0, 20.0)
    for low_s, mid_s, high_s in itertools.product(times, times, times):
        for low_hz, high_hz in ((60.0, 12000.0), (200.0, 5000.0)):
            decay = Decay(low_s, mid_s, high_s, low_hz, high_hz)
            for frames in (131, 6301):
                sections = decay.absorption(frames, RATE_HZ)
                sos = [(*section[:3], 1.0, *section[3:]) for section in sections]
                gain = np.abs(signal.sosfreqz(sos, 2000)[1])
                slowest = 10 ** (-3 * frames / (max(low_s, mid_s, high_s) * RATE_HZ))
                assert gain.max() <= slowest ** (1 / 1.16)


@pytest.mark.parametrize("decay_s", [0.4, 1.0, 5.0])
@pytest.mark.parametrize("size_ms", [8.0, 30.0])
def test_noise_leaves_as_loud_as_it_came(decay_s, size_ms):
    """Within 1 dB: a room is made of few reflections at first; the mean over four."""
    times = {"decay_s": decay_s, "decay_low_s": decay_s, "decay_high_s": decay_s}
    energy = [
        (response(Reverb(**ALONE, **times, size_ms=size_ms, seed=seed), 1.5 * decay_s) ** 2).sum()
        for seed in range(4)
    ]
    assert 10 * math.log10(np.mean(energy)) == pytest.approx(0.0, abs=1.0)


def test_early_and_late_stand_apart_as_asked():
    """Early taps alone stand out of a room whose tail is 40 dB down, and the other way round."""
    early, late = (response(Reverb(**ALONE, **EVEN, early_db=level, density=0.0)) for level in (20.0, -40.0))
    ends = round(2.0 * 25 / 1000 * RATE_HZ)
    assert 10 * math.log10((early[:ends] ** 2).sum() / (early[ends:] ** 2).sum()) > 17
    assert 10 * math.log10((late[:ends] ** 2).sum() / (late[ends:] ** 2).sum()) < 0


def test_nothing_comes_before_the_pre_delay():
    at_once, later = (
        response(Reverb(mix=1.0, modulation_hz=0.0, pre_delay_ms=wait_ms)) for wait_ms in (0.0, 50.0)
    )
    assert not later[: RATE_HZ // 20].any()
    np.testing.assert_allclose(later[RATE_HZ // 20 :], at_once[: -RATE_HZ // 20], rtol=0, atol=1e-12)


def test_width_goes_from_mono_to_nothing_in_common_at_one_energy():
    wide, half, mono = (
        response(Reverb(**ALONE, **EVEN, width=width), sides=(1.0, 1.0)) for width in (1.0, 0.5, 0.0)
    )
    assert abs(correlation(wide)) < 0.1
    assert 0.4 < correlation(half) < 0.8
    np.testing.assert_allclose(mono[:, 0], mono[:, 1], rtol=0, atol=1e-15)
    levels = [10 * math.log10((sound**2).sum()) for sound in (wide, half, mono)]
    assert max(levels) - min(levels) < 0.6


def test_sound_from_one_side_is_heard_on_both():
    left, right = (response(Reverb(**ALONE, **EVEN), sides=sides) for sides in ((1.0, 0.0), (0.0, 1.0)))
    late = slice(RATE_HZ // 10, None)
    for sound in (left, right):
        assert abs(np.diff(10 * np.log10((sound[late] ** 2).sum(axis=0)))[0]) < 1.5
    assert abs(np.corrcoef(left[late, 0], right[late, 0])[0, 1]) < 0.15


@pytest.mark.parametrize(("cut", "freq_hz"), [({"low_cut_hz": 400.0}, 100), ({"high_cut_hz": 4000.0}, 16000)])
def test_what_is_cut_does_not_enter(cut, freq_hz):
    """Two octaves beyond a slope of 12 dB/octave, and 1.3 kHz, where both leave all."""
    energy = [
        np.abs(np.fft.rfft(response(Reverb(**ALONE, **settings)), axis=0)) ** 2 for settings in ({}, cut)
    ]

    def change_db(at_hz):
        around = slice(round(2 * at_hz / 1.2), round(2 * at_hz * 1.2))  # bins of half a hertz
        return 10 * math.log10(energy[1][around].sum() / energy[0][around].sum())

    assert change_db(freq_hz) < -22
    assert abs(change_db(1300)) < 0.5


def test_a_seed_is_a_room():
    first, again, other = (response(Reverb(**ALONE, seed=seed)) for seed in (1, 1, 2))
    np.testing.assert_array_equal(first, again)
    assert abs(np.corrcoef(first[:, 0], other[:, 0])[0, 1]) < 0.1


@pytest.mark.parametrize("modulation_hz", [0.0, 1.0])
def test_a_room_moves_as_far_as_it_is_told_to(modulation_hz):
    """The same click half a second later: the same response while it stands still, another one else."""
    room, late = Reverb(**ALONE, **EVEN, modulation_hz=modulation_hz), RATE_HZ // 2
    now, then = response(room, 1.0), response(room, 1.5, at=late)[late:]
    alike = np.corrcoef(now[: RATE_HZ // 2, 0], then[: RATE_HZ // 2, 0])[0, 1]
    assert (alike > 1 - 1e-12) if not modulation_hz else (alike < 0.9)


def test_lanes_are_moved_alike():
    """A lane beside another one is what it is alone."""
    sound, room = noise(9000), Reverb(**ALONE, modulation_hz=4.0)
    both = process(room, np.stack([sound, np.roll(sound, 70, axis=0), sound], axis=1), RATE_HZ)
    np.testing.assert_array_equal(both[:, 0], both[:, 2])
    np.testing.assert_array_equal(both[:, 0], process(room, sound, RATE_HZ))


@pytest.mark.parametrize("settings", [{}, {"decay_low_s": 3.0}, {"decay_s": 0.3, "size_ms": 60.0}])
def test_the_tail_ends_90_db_under_full_scale(settings):
    """After noise of full scale; half way there it has not ended."""
    room = Reverb(**ALONE, **settings)
    tail = room.plan(Context(RATE_HZ)).tail_frames
    sound = np.concatenate([noise(2 * RATE_HZ) * math.sqrt(3), np.zeros((tail + RATE_HZ // 5, 2))])
    out = process(room, sound, RATE_HZ)[2 * RATE_HZ :]
    around = RATE_HZ // 20
    assert db(np.sqrt((out[tail : tail + around] ** 2).mean())) < -90
    assert db(np.sqrt((out[tail // 2 - around : tail // 2] ** 2).mean())) > -75


def test_no_tone_rings_out_of_the_tail():
    """Its highest line over its neighbours is not more than 3 dB over that of noise that dies away alike.

    Means of six; of a room that stands still it is.
    """
    decay_s = 1.5
    times = {"decay_s": decay_s, "decay_low_s": decay_s, "decay_high_s": decay_s}
    fall = 10 ** (-3 * np.arange(3 * RATE_HZ) / RATE_HZ / decay_s)
    of_noise = np.mean([highest_line_db(fall * noise(len(fall), seed)[:, 0]) for seed in range(6)])

    def of_room(**settings):
        rooms = [Reverb(**ALONE, **times, **settings, seed=seed) for seed in range(6)]
        return np.mean([highest_line_db(response(room, 2.5)[:, 0]) for room in rooms])

    assert of_room() < of_noise + 3
    assert of_room(modulation_hz=0.0) > of_noise + 3


def highest_line_db(wave):
    """Between 200 and 6200 Hz, in 2 s of a tail, against the 100 Hz around it."""
    power = np.abs(np.fft.rfft(wave[RATE_HZ // 5 : RATE_HZ // 5 + 2 * RATE_HZ])) ** 2
    neighbours = np.convolve(power, np.full(201, 1 / 201), "same")
    return 10 * math.log10((power / neighbours)[400:12400].max())


def test_mix_is_a_share():
    sound = noise(20000)
    dry, blend, wet = (process(Reverb(mix=mix), sound, RATE_HZ) for mix in (0.0, 0.3, 1.0))
    np.testing.assert_array_equal(dry, sound)
    np.testing.assert_allclose(blend, 0.7 * sound + 0.3 * wet, rtol=0, atol=1e-12)


def test_it_runs_at_a_low_rate_but_not_with_a_cut_that_lies_above():
    assert made(Reverb(), 8000).ends[-1] > 0
    with pytest.raises(InputError, match="cannot run at 8000 Hz"):
        Reverb(high_cut_hz=6000.0).plan(Context(8000))


def test_hall_for_mallets_is_wet_alone_and_slow():
    out = response(load_preset("hall_for_mallets").stages[0], 1.0)
    assert not out[: round(0.028 * RATE_HZ)].any()
    assert (out[RATE_HZ // 4 :] ** 2).sum() > 0.1 * (out**2).sum()


def test_shared_room_is_wet_alone_short_and_without_boom():
    """A tenth of a second holds most of it, and an octave and a half under its low cut little is left."""
    out = response(load_preset("shared_room").stages[0], 1.0)
    assert not out[: round(0.008 * RATE_HZ)].any()
    assert (out[: RATE_HZ // 8] ** 2).sum() > 0.8 * (out**2).sum()
    power = np.abs(np.fft.rfft(out[:, 0])) ** 2
    assert power[40:60].mean() < 0.1 * power[400:4000].mean()
