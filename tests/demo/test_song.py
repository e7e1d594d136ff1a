"""The demo's song: its score holds together, its stems are sound, and it is the same every time."""

import hashlib
import math
import warnings

import numpy as np
import pyloudnorm
import pytest

from busproc.demo import score
from busproc.demo.harbour_lamps import HARBOUR_LAMPS
from busproc.demo.synth import PLAYERS, make_song
from busproc.kernels.synth import add_resonances, add_voice

RATE_HZ = 48000
MONO = {"frame_drum", "shaker", "wood_block", "bass_pizz", "tuba"}
CENTROID_HZ = {  # loose: an instrument without its overtones, or with harsh ones, falls outside
    "frame_drum": (50, 250),
    "shaker": (5000, 11000),
    "wood_block": (700, 2000),
    "bass_pizz": (60, 250),
    "tuba": (120, 450),
    "marimba": (150, 600),
    "vibraphone": (600, 1500),
    "flugelhorns": (500, 1500),
    "strings": (500, 1500),
    "choir": (350, 1100),
}
SONG = HARBOUR_LAMPS
LINES = {**SONG.notes, "frame_drum": SONG.strokes["frame_drum"]}


def dbfs(gain):
    return 20 * math.log10(max(gain, 1e-12))


def stereo(stem):
    return stem if stem.ndim == 2 else np.stack([stem, stem], axis=1)


def loudness_lufs(sound):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # pyloudnorm takes the logarithm of silent blocks
        return pyloudnorm.Meter(RATE_HZ).integrated_loudness(sound)


def band_power(sound, low_hz, high_hz):
    spectrum = np.abs(np.fft.rfft(sound, axis=0)) ** 2
    freq_hz = np.fft.rfftfreq(len(sound), 1 / RATE_HZ)
    return spectrum[(freq_hz >= low_hz) & (freq_hz < high_hz)].sum()


def between(sound, start_s, end_s):
    return sound[int(start_s * RATE_HZ) : int(end_s * RATE_HZ)]


@pytest.fixture(scope="module")
def song():
    return make_song(RATE_HZ)


@pytest.fixture(scope="module")
def total(song):
    return sum(stereo(stem) for stem in song.values())


@pytest.mark.parametrize("name", sorted(LINES.keys() - {"vibraphone"}))  # which ends on a broken chord
def test_every_line_arrives_at_the_last_chord_on_its_beat(name):
    last = score.bar_start(25)
    # one eighth too many or too few in any bar would shift it
    assert max(event.at for event in LINES[name]) == last


def test_the_last_chord_is_d_major_with_an_added_ninth():
    last = score.bar_start(25)
    keys = {
        event.key % 12
        for line in LINES.values()
        for event in line
        if event.at == last and hasattr(event, "key")
    }
    assert keys == {score.key_number(name) % 12 for name in ("D4", "F#4", "A4", "E4")}


def test_notation_reads_lengths_rests_chords_and_breaths():
    assert score.read_line(2, "A4:3' -:2 Bb2+F#4:1 | C4") == [
        score.Note(6.0, 3.0, 69, breath=True),
        score.Note(11.0, 1.0, 46),
        score.Note(11.0, 1.0, 66),
        score.Note(12.0, 1.0, 60),
    ]
    assert score.read_strokes(1, "D..t") == [
        score.Stroke(0.0, "d", accent=True),
        score.Stroke(1.5, "t", accent=False),
    ]


def test_time_keeps_the_tempo_and_slows_down_at_the_end():
    beats_s = np.diff([SONG.seconds(at) for at in range(0, 150, 3)])
    np.testing.assert_allclose(beats_s[:44], 60 / SONG.tempo_bpm, rtol=1e-9)
    assert np.all(np.diff(beats_s[43:49]) > 0)
    np.testing.assert_allclose(beats_s[48:], 1.7 * 60 / SONG.tempo_bpm, rtol=1e-9)


def test_the_form_is_intro_two_themes_return_and_last_chord():
    names, starts_s = zip(*SONG.section_starts(), strict=True)
    assert names == ("intro", "theme A", "theme B", "return", "last chord")
    assert list(starts_s) == sorted(starts_s)
    assert starts_s[-1] < SONG.song_s - 3.0


def test_stems_come_in_track_order_all_equally_long(song):
    assert list(song) == list(PLAYERS)
    assert {len(stem) for stem in song.values()} == {int(SONG.song_s * RATE_HZ)}
    assert 36.0 <= SONG.song_s <= 46.0
    for name, stem in song.items():
        assert stem.dtype == np.float64
        assert stem.shape[1:] == (() if name in MONO else (2,))


@pytest.mark.parametrize("name", PLAYERS)
def test_each_stem_is_finite_and_at_a_recording_level(song, name):
    stem = song[name]
    assert np.all(np.isfinite(stem))
    assert -30.0 < dbfs(np.max(np.abs(stem))) <= -3.0
    assert abs(np.mean(stem)) < 1e-6  # no standing offset: under -120 dBFS


@pytest.mark.parametrize("name", PLAYERS)
def test_each_stem_dies_away_to_nothing(song, name):
    assert np.all(song[name][-1] == 0.0)
    assert dbfs(np.max(np.abs(song[name][-RATE_HZ // 100 :]))) < -100.0


@pytest.mark.parametrize("name", CENTROID_HZ)
def test_each_stem_has_the_brightness_of_its_instrument(song, name):
    mono = stereo(song[name]).mean(axis=1)
    power = np.abs(np.fft.rfft(mono)) ** 2
    low, high = CENTROID_HZ[name]
    assert low < np.average(np.fft.rfftfreq(len(mono), 1 / RATE_HZ), weights=power) < high


def test_the_plain_sum_has_the_level_of_an_unmastered_mix(total):
    assert -20.0 < loudness_lufs(total) < -16.0
    assert -6.0 < dbfs(np.max(np.abs(total))) < -1.0


def test_theme_b_is_louder_than_theme_a_and_that_than_the_intro(total):
    starts_s = dict(SONG.section_starts())
    intro = loudness_lufs(between(total, starts_s["intro"], starts_s["theme A"]))
    theme_a = loudness_lufs(between(total, starts_s["theme A"], starts_s["theme B"]))
    theme_b = loudness_lufs(between(total, starts_s["theme B"], starts_s["return"]))
    assert theme_b > theme_a + 3.0
    assert theme_a > intro + 3.0


def test_the_marimba_starts_on_the_pitch_of_the_score(song):
    first, second = SONG.notes["marimba"][:2]
    note = between(
        song["marimba"].mean(axis=1), SONG.seconds(first.at) + 0.02, SONG.seconds(second.at) - 0.02
    )
    length = 1 << 18  # zero-padded: bins 0.2 Hz apart
    freq_hz = np.fft.rfftfreq(length, 1 / RATE_HZ)
    spectrum = np.abs(np.fft.rfft(note * np.hanning(len(note)), length)) * (freq_hz < 250.0)
    expected_hz = 440.0 * 2.0 ** ((first.key - 69) / 12)
    assert abs(1200 * math.log2(freq_hz[np.argmax(spectrum)] / expected_hz)) < 5.0


@pytest.mark.parametrize(
    ("name", "line"),
    [
        ("bass_pizz", SONG.notes["bass"]),
        ("tuba", SONG.notes["tuba"]),
        ("marimba", SONG.notes["marimba_low"]),
        ("vibraphone", SONG.notes["vibraphone"]),
        ("flugelhorns", SONG.notes["flugelhorn_3"]),
        ("strings", SONG.notes["cellos"]),
        ("choir", SONG.notes["basses"]),
    ],
)
def test_the_lowest_line_of_a_stem_sounds_where_the_score_puts_it(song, name, line):
    last_chord = score.bar_start(25)
    key = min(note.key for note in line if note.at >= last_chord)
    start_s = SONG.seconds(last_chord + (1.0 if name == "vibraphone" else 0.0))  # it enters one eighth later
    chord = between(stereo(song[name])[:, 0], start_s + 0.3, start_s + 1.5)
    length = 1 << 18
    spectrum = np.abs(np.fft.rfft(chord * np.hanning(len(chord)), length))
    first = int(np.argmax(spectrum > np.max(spectrum) / 30))
    lowest = first + int(np.argmax(spectrum[first : int(1.1 * first)]))  # vibrato spreads a partial by less
    expected_hz = 440.0 * 2.0 ** ((key - 69) / 12)
    assert abs(1200 * math.log2(lowest * RATE_HZ / length / expected_hz)) < 25.0  # a quarter of a semitone


def test_the_faults_left_for_the_mix_are_there(song):
    drum = song["frame_drum"]
    assert band_power(drum, 15, 30) > 0.01 * band_power(drum, 15, 24000)  # stand rumble
    choir = song["choir"].mean(axis=1)
    assert band_power(choir, 250, 400) > 0.25 * band_power(choir, 15, 24000)  # mud
    marimba = song["marimba"]
    low = np.fft.rfft(marimba, axis=0)[: int(110 * SONG.song_s)]  # bins are 1 / SONG_S apart: up to 110 Hz
    correlation = np.real(np.vdot(low[:, 0], low[:, 1])) / np.sqrt(np.prod(np.sum(np.abs(low) ** 2, axis=0)))
    assert correlation < 0.5  # wide low end


def test_a_second_take_has_the_same_bits(song):
    def digest(stems):
        return {name: hashlib.sha256(stem.tobytes()).hexdigest() for name, stem in stems.items()}

    assert digest(make_song(RATE_HZ)) == digest(song)


@pytest.mark.parametrize("freq_hz", [55.0, 440.0, 3000.0])
def test_a_voice_is_the_plain_sum_of_its_harmonics_below_nyquist(freq_hz):
    edge_hz, frames = 6000.0, 4800
    flat = np.ones(frames // 240 + 2)
    out = np.zeros((frames, 1))
    add_voice(out, np.ones(1), freq_hz * flat, flat, edge_hz * flat, np.zeros(1), 240, RATE_HZ)
    r = math.exp(-freq_hz / edge_hz)
    angle = 2 * np.pi * freq_hz * np.arange(frames) / RATE_HZ
    harmonics = range(1, int(0.46 * RATE_HZ / freq_hz) + 1)
    expected = math.sqrt(1 - r * r) * sum(r ** (k - 1) * np.sin(k * angle) for k in harmonics)
    np.testing.assert_allclose(out[:, 0], expected, atol=1e-9)  # rounding of the phase, times the harmonics


def test_a_resonance_has_its_gain_at_its_frequency():
    angle = 2 * np.pi * 1000.0 * np.arange(RATE_HZ) / RATE_HZ
    x = np.sin(angle)[:, np.newaxis]
    out = np.zeros_like(x)
    add_resonances(out, x, np.array([1000.0]), np.array([5.0]), np.array([0.5]), RATE_HZ)
    np.testing.assert_allclose(out[-4800:], 0.5 * x[-4800:], atol=1e-9)  # rung in after 0.9 s
