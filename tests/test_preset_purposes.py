"""What presets are for, in figures: made sounds go in, and what leaves is measured by none of our stages."""

from __future__ import annotations

import numpy as np
import pyloudnorm
import pytest
from scipy import signal

from busproc.chain import process
from busproc.presets import load_preset
from tests.measure.reference_meters import fourier_peak_dbtp
from tests.songs import RATE_HZ

METER = pyloudnorm.Meter(RATE_HZ, filter_class="DeMan")
RING = slice(80 * RATE_HZ // 1000, 200 * RATE_HZ // 1000)


def through(name, sound, rate_hz=RATE_HZ):
    """What a preset makes of `sound (frames, 2)` or, given as one channel, of the same on both sides."""
    return process(load_preset(name), sound if sound.ndim > 1 else on_both_sides(sound), rate_hz)


def gain_db(name, bus, rate_hz=RATE_HZ):
    """Gain of a preset that hears `bus`, 50 times a second: what becomes of a faint tone in a second lane."""
    tone = on_both_sides(sine(1000, -60, len(bus) / rate_hz, rate_hz))
    out = process(load_preset(name), np.stack([bus, tone], axis=1), rate_hz)[:, 1, 0]
    window = rate_hz // 50
    return db(out[: len(out) // window * window].reshape(-1, window)) + 60


def on_both_sides(wave):
    return np.column_stack([wave, wave])


def sine(freq_hz, level_dbfs, seconds, rate_hz=RATE_HZ):
    time = np.arange(round(seconds * rate_hz)) / rate_hz
    return 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * freq_hz * time)


def pink(seconds, level_dbfs, seed=1, low_hz=20.0, high_hz=20000.0):
    """Noise `(frames,)` with equal power in every octave between two frequencies."""
    frames = round(seconds * RATE_HZ)
    spectrum = np.fft.rfft(np.random.default_rng(seed).normal(size=frames))
    freq_hz = np.fft.rfftfreq(frames, 1 / RATE_HZ)
    inside = (freq_hz > low_hz) & (freq_hz < high_hz)
    shaped = np.fft.irfft(np.where(inside, spectrum / np.sqrt(np.maximum(freq_hz, 1)), 0), frames)
    return shaped * 10 ** ((level_dbfs - db(shaped)) / 20)


def in_turn(levels_db, seconds):
    """Gain of each frame: some levels in turn, `seconds` each."""
    return np.repeat(10 ** (np.array(levels_db) / 20), round(seconds * RATE_HZ))


def beat(level_dbfs, seconds=4):
    """A strike each half second, noise that decays in 60 ms, over a steady chord."""
    time = np.arange(seconds * RATE_HZ) % (RATE_HZ // 2) / RATE_HZ
    strike = np.random.default_rng(3).normal(size=len(time)) * np.exp(-time / 0.06)
    wave = 0.25 * strike + sum(sine(freq_hz, -20, seconds) for freq_hz in (220, 277.2, 329.6))
    return on_both_sides(wave * 10 ** ((level_dbfs - db(wave)) / 20))


def strike_over_ring_db(sound):
    """Peak of the first 15 ms of each beat but the first, against the RMS from 80 to 200 ms: the mean."""
    beats = sound[RATE_HZ // 2 :, 0].reshape(-1, RATE_HZ // 2)
    return (peak_db(beats[:, : 15 * RATE_HZ // 1000]) - db(beats[:, RING])).mean()


def db(wave):
    """Level along the last axis; a full-scale sine is 0 dB."""
    return 10 * np.log10(2 * np.mean(np.square(wave), axis=-1) + 1e-20)


def peak_db(wave):
    return 20 * np.log10(np.abs(wave).max(axis=-1))


def crest_db(sound):
    return peak_db(sound.ravel()) - db(sound.ravel())


def band_db(wave, low_hz, high_hz, rate_hz=RATE_HZ):
    """Level between two frequencies, by Welch's method."""
    freq_hz, density = signal.welch(
        wave, rate_hz, "blackmanharris", nperseg=min(rate_hz // 2, len(wave)), detrend=False
    )
    inside = (freq_hz >= low_hz) & (freq_hz <= high_hz)
    return 10 * np.log10(2 * density[inside].sum() * freq_hz[1] + 1e-20)


def share_change_db(before, after, low_hz, high_hz, rate_hz=RATE_HZ):
    """How the share of a band in the whole sound has changed; sounds `(frames, 2)`, left is measured."""
    first, last = (band_db(s[:, 0], low_hz, high_hz, rate_hz) - db(s[:, 0]) for s in (before, after))
    return last - first


def side_of(sound):
    return (sound[:, 0] - sound[:, 1]) / 2


def lowest_correlation(sound, rate_hz=RATE_HZ):
    """Of left and right over half a second; the first is left out, what follows the sound has to settle."""
    windows = [sound[at : at + rate_hz // 2] for at in range(rate_hz // 2, len(sound), rate_hz // 2)]
    return min(np.corrcoef(window.T)[0, 1] for window in windows)


def harmonic_db(name, freq_hz, level_dbfs, order):
    """A harmonic against its fundamental, in the second second of a tone."""
    out = through(name, sine(freq_hz, level_dbfs, 2))[RATE_HZ:, 0]
    fundamental, harmonic = (band_db(out, at - 10, at + 10) for at in (freq_hz, order * freq_hz))
    return harmonic - fundamental


def given_back(name):
    """Share of its reduction that a preset has given back 200 ms after a loud passage of 3 s."""
    bus = on_both_sides(np.concatenate([pink(3, -12), pink(3, -22, 2)]))
    found = gain_db(name, bus)
    reduced, rested = found[100:148].mean(), found[-25:].mean()
    assert rested - reduced > 3.0, "there must be something to give back"
    return (found[158:162].mean() - reduced) / (rested - reduced)


def test_forward_and_lively_lifts_strikes_out_of_what_rings():
    """30 ms of attack let the first 15 ms pass, from 80 ms on it is there: 1.6 dB; with 0.1 ms of it 1.1."""
    before, after = beat(-18), through("forward_and_lively", beat(-18))
    assert strike_over_ring_db(after) > strike_over_ring_db(before) + 1.3


def test_forward_and_lively_has_presence():
    """A bell of 1.5 dB in the middle of the band, 1.2 dB over all of it."""
    noise = on_both_sides(pink(2, -24))
    assert 1.0 < share_change_db(noise, through("forward_and_lively", noise), 2000, 5000) < 1.5


def test_forward_and_lively_lets_go_fast_and_slow_and_heavy_slowly():
    """200 ms are nearly three releases of 70 ms (1 - exp(-2.9) = 0.94), and under a third of one of 700."""
    assert given_back("forward_and_lively") > 0.8
    assert given_back("slow_and_heavy") < 0.2


def test_slow_and_heavy_hardly_follows_the_beat():
    """Two strikes a second move it by 0.3 dB in all, where the lively one moves by 2 dB."""
    slow, lively = (gain_db(name, beat(-15))[50:] for name in ("slow_and_heavy", "forward_and_lively"))
    at_rest = gain_db("slow_and_heavy", beat(-45, 1))
    assert np.ptp(slow) < 0.6
    assert np.ptp(lively) > 1.5
    assert slow.mean() < at_rest.mean() - 3


def test_slow_and_heavy_has_dense_low_mids():
    """A bell of 1.5 dB at 240 Hz, and a saturator whose tilt bends them more than the presence."""
    noise = on_both_sides(pink(2, -24))
    assert share_change_db(noise, through("slow_and_heavy", noise), 150, 400) > 0.8
    low_db, high_db = (harmonic_db("slow_and_heavy", freq_hz, -12, 3) for freq_hz in (240, 3000))
    assert -40 < low_db < -25
    assert high_db < low_db - 15


@pytest.mark.parametrize(("level_dbfs", "gain"), [(-18.0, -6.0), (-30.0, 0.0)])
def test_hand_over_to_mastering_leaves_headroom_and_peaks(level_dbfs, gain):
    """Peaks at 0 and -12 dBTP: only one needs room, and both keep their wave, low notes with it."""
    time = np.arange(4 * RATE_HZ) % (RATE_HZ // 2) / RATE_HZ
    kick = 10 ** ((level_dbfs + 9) / 20) * np.sin(2 * np.pi * 45 * time) * np.exp(-time / 0.15)
    mix = beat(level_dbfs) + on_both_sides(kick)
    out = through("hand_over_to_mastering", mix)
    assert fourier_peak_dbtp(out) < -3.0
    assert fourier_peak_dbtp(out) - fourier_peak_dbtp(mix) == pytest.approx(gain, abs=0.5)
    assert abs(crest_db(out) - crest_db(mix)) < 0.5


def test_hand_over_to_mastering_takes_no_more_than_it_says():
    """1.5 dB of reduction under 6 dB of headroom, even from a mix far over full scale; and no other stage."""
    assert gain_db("hand_over_to_mastering", on_both_sides(pink(1, 0))).min() > -7.51
    tags = [stage.tag for stage in load_preset("hand_over_to_mastering").stages]
    assert tags == ["gain", "eq", "compressor"]


def test_hand_over_to_mastering_takes_rumble_out():
    rumble = through("hand_over_to_mastering", sine(10, -20, 3))[RATE_HZ:-RATE_HZ, 0]
    assert db(rumble) < -20 - 20  # one octave under a slope of 24 dB/octave


def test_safe_bass_for_vinyl_has_no_side_in_the_bass():
    """40 dB down is a hundredth of the swing; what lies over the slope stays, and so does mid."""
    mix = np.column_stack([pink(3, -30, seed) for seed in (1, 2)])
    out = through("safe_bass_for_vinyl", mix)
    assert band_db(side_of(out), 20, 150) < band_db(side_of(mix), 20, 150) - 40
    assert band_db(side_of(out), 300, 5000) == pytest.approx(band_db(side_of(mix), 300, 5000), abs=0.5)
    assert band_db(out.mean(axis=1), 50, 150) == pytest.approx(band_db(mix.mean(axis=1), 50, 150), abs=0.2)


def test_safe_bass_for_vinyl_keeps_left_and_right_in_phase():
    """Floor 0.2; windows of half a second average what a running mean of 70 ms lets through."""
    mid, side = pink(3, -30, 1), pink(3, -22, 2)
    mix = np.column_stack([mid + side, mid - side])
    assert lowest_correlation(mix) < -0.5
    assert lowest_correlation(through("safe_bass_for_vinyl", mix)) > 0.15


def test_safe_bass_for_vinyl_ends_under_30_hz():
    """An octave below the slope of 24 dB/octave, and half an octave above its corner."""
    tones = sine(15, -20, 3), sine(45, -20, 3)
    below, above = (through("safe_bass_for_vinyl", tone)[RATE_HZ:-RATE_HZ, 0] for tone in tones)
    assert db(below) < -40
    assert db(above) > -20.5


def cut_db(name, level_dbfs, low_hz, high_hz):
    """How much a region loses that is added to a voice, against the same region added faintly."""
    changes = []
    for level in (level_dbfs, -70):
        sound = on_both_sides(pink(2, -28, 1, 400, 3000) + pink(2, level, 2, low_hz, high_hz))
        out = through(name, sound)
        changes.append(band_db(out[:, 0], low_hz, high_hz) - band_db(sound[:, 0], low_hz, high_hz))
    return changes[1] - changes[0]


@pytest.mark.parametrize(
    ("name", "region_hz", "least_db"),
    [
        ("smooth_voices", (6000, 8500), 4.0),
        ("smooth_voices", (240, 330), 3.0),
        ("safe_bass_for_vinyl", (6500, 8500), 2.0),
    ],
)
def test_a_region_is_turned_down_only_while_it_stands_out(name, region_hz, least_db):
    """Sibilants at -20 dBFS and a box at -15 stand out of a voice at -28; 30 dB softer they do not."""
    loud_dbfs = -20 if region_hz[0] > 1000 else -15
    assert cut_db(name, loud_dbfs, *region_hz) > least_db
    assert abs(cut_db(name, loud_dbfs - 30, *region_hz)) < 0.3


@pytest.fixture(scope="module")
def speech():
    """Four syllables a second in sentences of 3 s, every other one 12 dB softer; left and right unlike."""
    syllables = 0.55 + 0.45 * np.sin(2 * np.pi * 4 * np.arange(12 * RATE_HZ) / RATE_HZ)
    words = pink(12, -20, 1, 60, 16000) * syllables * in_turn([0, -12] * 2, 3)
    return np.column_stack([words + pink(12, -60, seed) for seed in (2, 3)])


@pytest.fixture(scope="module")
def levelled(speech):
    return through("narrow_for_speech", speech)


def test_narrow_for_speech_levels_the_sentences(speech, levelled):
    """12 dB above a 3:1 threshold become 4 dB."""
    before, after = (db(sound[:, 0].reshape(4, -1)) for sound in (speech, levelled))
    assert np.ptp(before) == pytest.approx(12, abs=0.5)
    assert np.ptp(after) < 5
    assert METER.loudness_range(levelled) < METER.loudness_range(speech) - 3
    assert METER.integrated_loudness(levelled) == pytest.approx(METER.integrated_loudness(speech), abs=2)


def test_narrow_for_speech_is_narrow_and_mono(speech, levelled):
    """An octave outside 120 Hz to 8 kHz, slopes of 24 dB/octave leave little."""
    np.testing.assert_array_equal(levelled[:, 0], levelled[:, 1])
    assert share_change_db(speech, levelled, 20, 60) < -20
    assert share_change_db(speech, levelled, 14000, 20000) < -15
    assert abs(share_change_db(speech, levelled, 250, 5000)) < 2


def test_low_instruments_levelled_brings_notes_together():
    """Notes 12 dB apart; both above a threshold at 3:1 would end 4 dB apart, the soft one is in the knee."""
    line = sine(55, -12, 4) * in_turn([0, -12] * 4, 0.5)
    out = through("low_instruments_levelled", line)[:, 0].reshape(8, -1)[2:]
    body_db, pluck_db = db(out[:, RATE_HZ // 10 :]), db(out[:, : RATE_HZ // 40])
    assert np.ptp(body_db) < 7.5
    assert (pluck_db - body_db)[::2].min() > 4.5, "the attack of 25 ms lets a note begin"


def test_low_instruments_levelled_are_heard_on_small_loudspeakers():
    """An octave up at 2 % of the note: heard where the note itself is not reproduced, and no growl."""
    assert -40 < harmonic_db("low_instruments_levelled", 55, -18, 2) < -30
    assert harmonic_db("low_instruments_levelled", 55, -18, 3) < -45


def struck_bar(knock):
    """A ringing tone with a knock above 2.5 kHz at its start, twice."""
    time = np.arange(RATE_HZ // 2) / RATE_HZ
    high = signal.butter(4, 2500, "high", fs=RATE_HZ, output="sos")
    stick = signal.sosfilt(high, np.random.default_rng(1).normal(size=len(time)) * np.exp(-time / 0.012))
    ring = np.sin(2 * np.pi * 440 * time) * np.exp(-time / 0.6)
    return np.tile(0.2 * (ring + knock * stick), 2)


@pytest.mark.parametrize(("knock", "least_db", "most_db"), [(0.3, 5.0, 8.0), (0.003, -0.1, 0.3)])
def test_softer_strikes_takes_the_knock_and_leaves_the_ring(knock, least_db, most_db):
    """A hard knock loses the range of 8 dB, a soft one nothing; the ring under 1.8 kHz is not touched."""
    sound = struck_bar(knock)
    before, after = (wave.reshape(2, -1)[1] for wave in (sound, through("softer_strikes", sound)[:, 0]))
    knocks_db = [band_db(wave[: RATE_HZ // 20], 2500, 20000) for wave in (before, after)]
    assert least_db < knocks_db[0] - knocks_db[1] < most_db
    assert db(after[RING]) == pytest.approx(db(before[RING]), abs=0.1)
