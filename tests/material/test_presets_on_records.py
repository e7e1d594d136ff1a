"""Presets on finished records, a song in stems and spoken words: they suit them and do what they say."""

from __future__ import annotations

import numpy as np
import pyloudnorm
import pytest
import soundfile as sf
from scipy import signal
from scipy.fft import next_fast_len

from busproc.presets import load_preset, preset_names
from tests.material.song_session import EXCERPT_S
from tests.measure.reference_meters import fourier_peak_dbtp
from tests.test_preset_purposes import (
    band_db,
    crest_db,
    db,
    gain_db,
    lowest_correlation,
    share_change_db,
    side_of,
    through,
)
from tests.test_presets import idle, rendered

pytestmark = pytest.mark.material

FILES = {
    "slow": ("xmoto-data/usr/share/games/xmoto/Textures/Musics/foxrun.ogg", 30),
    "lively": ("xmoto-data/usr/share/games/xmoto/Textures/Musics/legolodio.ogg", 40),
    "dense": ("frozen-bubble-data/usr/share/games/frozen-bubble/snd/frozen-mainzik-1p.ogg", 60),
    "over": ("trackballs-data/usr/share/games/trackballs/music/tb_design.ogg", 69),
    "guitars": (
        "fretsonfire-songs-sectoid/usr/share/games/fretsonfire/data/songs/sectoid/Feelings/guitar.ogg",
        60,
    ),
    "loop": ("sonic-pi-samples/usr/share/sonic-pi/samples/loop_tabla.flac", 0),
}
"""Recordings, and where in seconds their passages start; one is over full scale as it comes."""

STEMS = {"keys": [0], "bass": [2], "voices": [3], "vibes": [4], "drums": [9], "song": [0, 1, 2, 3, 4, 9]}
"""Channels of the score that the song in stems is played from."""

PASSAGE_S = 7

WORDS = ("Front_Center", "Rear_Left", "Side_Right", "Front_Left", "Rear_Right", "Side_Left")
WORDS_DB = (0, -12, -3, -15, 0, -9)

MIXES = ("slow", "lively", "dense", "song")
MEANT_FOR = {
    "bent_return": ("bass", "keys", "vibes"),
    "calmer_sibilants": ("words",),
    "close_drum_gate": ("drums", "loop"),
    "do_nothing": (*MIXES, "over"),
    "doubled_voice": ("voices",),
    "drums_in_parallel": ("drums", "loop"),
    "ebu_r_128_programme": (*MIXES, "over"),
    "echo_throw": ("voices", "words"),
    "firmer_strokes": ("vibes", "drums"),
    "hall_for_mallets": ("vibes",),
    "hand_over_to_mastering": (*MIXES, "over"),
    "low_instruments_levelled": ("bass",),
    "narrow_for_speech": ("words",),
    "safety_only": (*MIXES, "over"),
    "shared_room": ("vibes", "voices", "drums"),
    "smooth_voices": ("voices", "words"),
    "softer_strikes": ("vibes",),
    "squeezed_return": ("drums", "loop", "voices"),
    "warm_in_bands": ("keys", "guitars"),
    "wooden_body": ("vibes", "keys"),
}
"""What a preset is put on; those that are not named here are for mixes."""

LOUDER_LU = {
    "drums_in_parallel": (0.5, 4),
    "ebu_r_128_programme": (-14, 4),
    "echo_throw": (-24, -8),
    "hand_over_to_mastering": (-8, 0.1),
    "loud_reference": (0.5, 7),
    "wooden_body": (-4, 3),
}
"""How much louder presets make a recording, those that do not leave its loudness to within 3 LU."""


@pytest.fixture(scope="module")
def recording(material, real_song):
    """Read a passage by its name: `(frames, 2)` and its rate."""

    def read(name):
        if name == "words":
            return spoken(material / "alsa-utils/usr/share/sounds/alsa")
        if name in STEMS:
            found = [
                passage(real_song / f"stem{channel:02}.wav", EXCERPT_S[1] - PASSAGE_S)
                for channel in STEMS[name]
            ]
            return sum(sound for sound, _ in found), found[0][1]
        path, start_s = FILES[name]
        return passage(material / path, start_s)

    return read


def passage(path, start_s):
    rate_hz = sf.info(path).samplerate
    sound, _ = sf.read(path, start=start_s * rate_hz, stop=(start_s + PASSAGE_S) * rate_hz, always_2d=True)
    return np.ascontiguousarray(np.broadcast_to(sound, (len(sound), 2))), rate_hz


def spoken(folder):
    """Words one after the other, some of them soft, each padded to two seconds."""
    words = [
        np.resize(np.pad(sf.read(folder / f"{word}.wav")[0], (0, 96000)), 96000) * 10 ** (level_db / 20)
        for word, level_db in zip(WORDS, WORDS_DB, strict=True)
    ]
    return np.repeat(np.concatenate(words)[:, None], 2, axis=1), 48000


def loudness(sound, rate_hz):
    return pyloudnorm.Meter(rate_hz, filter_class="DeMan").integrated_loudness(sound)


def true_peak_dbtp(sound):
    padding = next_fast_len(len(sound) + 8000) - len(sound)
    return fourier_peak_dbtp(np.pad(sound, ((4000, padding - 4000), (0, 0))), factor=8)


@pytest.mark.parametrize(
    ("preset", "name"),
    [(preset, name) for preset in preset_names() for name in MEANT_FOR.get(preset, MIXES)],
)
def test_a_preset_suits_what_it_is_meant_for(preset, name, recording, tmp_path):
    """No note, little idles, a ceiling holds, and where there is none peaks grow by less than 4 dB."""
    sound, rate_hz = recording(name)
    file, decisions = rendered(tmp_path, preset, sound, rates={"a": rate_hz}, tail_s=0.0)
    out, _ = sf.read(file)
    assert out.shape == sound.shape
    assert len(idle(decisions)) < max(2, len(decisions)), decisions
    ends_in_limiter = load_preset(preset).stages[-1:] and load_preset(preset).stages[-1].tag == "limiter"
    assert true_peak_dbtp(out) < (-0.98 if ends_in_limiter else true_peak_dbtp(sound) + 4)
    low, high = LOUDER_LU.get(preset, (-3, 3))
    assert low <= loudness(out, rate_hz) - loudness(sound, rate_hz) <= high


@pytest.mark.parametrize("name", MIXES)
def test_forward_and_lively_is_forward_and_lively(name, recording):
    """More presence against what lies under it, and peaks stand out of the mean as before or more."""
    mix, rate_hz = recording(name)
    out = through("forward_and_lively", mix, rate_hz)
    presence_db = share_change_db(mix, out, 2000, 5000, rate_hz)
    assert presence_db > share_change_db(mix, out, 500, 1000, rate_hz) + 0.9
    assert crest_db(out) > crest_db(mix) - 0.5


@pytest.mark.parametrize("name", MIXES)
def test_slow_and_heavy_moves_less_than_forward_and_lively(name, recording):
    """In 20 ms, at the 95th percentile."""
    mix, rate_hz = recording(name)
    moves = {
        preset: np.percentile(np.abs(np.diff(gain_db(preset, mix, rate_hz)[50:])), 95)
        for preset in ("slow_and_heavy", "forward_and_lively")
    }
    assert moves["slow_and_heavy"] < moves["forward_and_lively"] / 2


@pytest.mark.parametrize("name", MIXES)
def test_slow_and_heavy_brings_low_mids_up_against_presence(name, recording):
    """A bell of 1.5 dB, less what lies beside its middle, and odd harmonics that reach into the presence."""
    mix, rate_hz = recording(name)
    low_db, high_db = (
        share_change_db(mix, through("slow_and_heavy", mix, rate_hz), *band, rate_hz)
        for band in ((150, 400), (2000, 5000))
    )
    assert low_db > high_db + 0.7


@pytest.mark.parametrize("name", [*MIXES, "over"])
def test_hand_over_to_mastering_keeps_peaks_and_leaves_headroom(name, recording):
    mix, rate_hz = recording(name)
    out = through("hand_over_to_mastering", mix, rate_hz)
    assert abs(crest_db(out) - crest_db(mix)) < 0.5
    assert true_peak_dbtp(out) < -3


@pytest.mark.parametrize("name", MIXES)
def test_safe_bass_for_vinyl_is_safe(name, recording):
    mix, rate_hz = recording(name)
    out = through("safe_bass_for_vinyl", mix, rate_hz)
    assert band_db(side_of(out), 20, 150, rate_hz) < band_db(side_of(mix), 20, 150, rate_hz) - 40
    assert lowest_correlation(out, rate_hz) > 0.15


@pytest.mark.parametrize("name", [*MIXES, "over"])
def test_ebu_r_128_programme_is_delivered_at_its_loudness(name, recording):
    mix, rate_hz = recording(name)
    out = through("ebu_r_128_programme", mix, rate_hz)
    assert loudness(out, rate_hz) == pytest.approx(-23.0, abs=0.1)
    assert true_peak_dbtp(out) <= -1.0 + 0.02


def test_narrow_for_speech_brings_words_together(recording):
    """15 dB between them become less than 7."""
    words, rate_hz = recording("words")
    levels_db = [
        db(sound[:, 0].reshape(len(WORDS), -1))
        for sound in (words, through("narrow_for_speech", words, rate_hz))
    ]
    assert np.ptp(levels_db[0]) > 14
    assert np.ptp(levels_db[1]) < 7


def test_smooth_voices_turns_a_sibilant_down_and_leaves_voices_without_one(recording):
    """The word `side` begins with one; the voices of the song have none."""
    for name, least_db, most_db in (("words", 3.0, 20.0), ("voices", -0.3, 0.3)):
        sound, rate_hz = recording(name)
        out = through("smooth_voices", sound, rate_hz)
        assert least_db < cut_at_most_db(sound, out, 6000, 8000, rate_hz) < most_db


def cut_at_most_db(before, after, low_hz, high_hz, rate_hz):
    """How far down a region goes, in the loudest 20 ms that it has."""
    sos = signal.butter(4, (low_hz, high_hz), "band", fs=rate_hz, output="sos")
    window = rate_hz // 50
    levels = [
        db(signal.sosfilt(sos, sound[: len(sound) // window * window, 0]).reshape(-1, window))
        for sound in (before, after)
    ]
    return (levels[0] - levels[1])[np.argsort(levels[0])[-20:]].max()


def test_low_instruments_levelled_brings_notes_together(recording):
    bass, rate_hz = recording("bass")
    spreads = [
        spread_db(sound, rate_hz) for sound in (bass, through("low_instruments_levelled", bass, rate_hz))
    ]
    assert spreads[1] < spreads[0] - 2


def spread_db(sound, rate_hz):
    """From the 20th to the 95th percentile of the level in windows of 300 ms."""
    window = 3 * rate_hz // 10
    levels = db(sound[: len(sound) // window * window, 0].reshape(-1, window))
    return np.percentile(levels, 95) - np.percentile(levels, 20)


def test_softer_strikes_takes_knocks_and_leaves_the_notes(recording):
    vibes, rate_hz = recording("vibes")
    out = through("softer_strikes", vibes, rate_hz)
    assert cut_at_most_db(vibes, out, 2500, 10000, rate_hz) > 2
    assert band_db(out[:, 0], 100, 1000, rate_hz) == pytest.approx(
        band_db(vibes[:, 0], 100, 1000, rate_hz), abs=0.3
    )


def test_drums_in_parallel_come_closer_to_their_strokes(recording):
    """What lies between strokes is raised by more than the strokes are."""
    drums, rate_hz = recording("loop")
    out = through("drums_in_parallel", drums, rate_hz)
    assert spread_db(out, rate_hz) < spread_db(drums, rate_hz) - 1
    assert crest_db(out) < crest_db(drums)
