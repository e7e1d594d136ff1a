"""The same sound in two stems, and sounds that are only alike."""

import itertools

import numpy as np
import pytest

from busproc.measure.faults.doubles import Fingerprint, doubles
from tests.measure import healthy

RATE_HZ = healthy.RATE_HZ
NAMES = ["music", "gated_drums", "two_performances", "organ", "tremolo"]


def fingerprint(audio, rate_hz=RATE_HZ):
    kept = Fingerprint(rate_hz, audio.shape[1])
    for start in range(0, len(audio), 5000):
        kept.feed(audio[start : start + 5000])
    return kept


def found(**stems):
    return doubles({name: fingerprint(audio) for name, audio in stems.items()})


def noisy(audio, snr_db, seed=50):
    return audio + np.sqrt((audio**2).mean()) * 10 ** (-snr_db / 20) * healthy.noise(seed)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("snr_db", [15, 30, 100])
@pytest.mark.parametrize(
    ("delay", "gain", "sign"), [(0, 1, 1), (37, 0.5, -1), (2400, 0.1, 1), (-1500, 2, -1)]
)
def test_a_copy_is_found_with_gain_delay_and_polarity(name, snr_db, delay, gain, sign):
    audio = healthy.SOUNDS[name]()
    (double,) = found(one=audio, other=sign * gain * noisy(np.roll(audio, delay, axis=0), snr_db))
    assert (double.first, double.second) == ("one", "other")
    assert double.gain_db == pytest.approx(20 * np.log10(gain), abs=0.5)
    assert double.delay_ms == pytest.approx(delay / 48, abs=0.07)
    assert double.is_inverted == (sign < 0)
    assert double.confidence >= 0.5


@pytest.mark.parametrize("name", NAMES)
def test_under_noise_of_its_own_level_it_is_another_sound(name):
    audio = healthy.SOUNDS[name]()
    assert found(one=audio, other=noisy(audio, 0)) == []


def test_all_healthy_sounds_are_different():
    assert found(**{name: make() for name, make in healthy.SOUNDS.items() if name != "gated_drums"}) == []


def test_drums_and_their_gated_copy_are_one():
    assert len(found(open=healthy.drums(), gated=healthy.gated_drums())) == 1


def test_a_part_played_twice_is_no_double():
    both = healthy.two_performances()
    assert found(one=both[:, :1], other=both[:, 1:]) == []


def test_two_microphones_before_one_source_are_no_double():
    """One close and dull, one 4 ms away with a room."""
    source = healthy.drums()
    room = sum(0.3 * np.roll(source, delay, axis=0) for delay in (701, 1303, 2111))
    assert found(close=healthy.filtered(source, 1, 900), far=np.roll(source, 192, axis=0) + room) == []


def test_mono_and_stereo_of_one_sound_are_doubles():
    mono = healthy.organ()[:, :1]
    (double,) = found(mono=mono, stereo=np.repeat(mono, 2, axis=1))
    assert double.gain_db == pytest.approx(0.0, abs=0.01)


def test_eighty_stems_are_told_apart_and_the_pairs_found():
    stems = {f"{n}": 0.1 * healthy.filtered(healthy.noise(n, 1), 1, 500) for n in range(80)}
    stems["17"] = -0.5 * stems["60"]
    stems["3"] = np.roll(stems["70"], 500, axis=0)
    pairs = {(double.first, double.second) for double in found(**stems)}
    assert pairs == {("17", "60"), ("3", "70")}


def test_silent_and_short_stems_have_nothing_to_compare():
    short = healthy.music()[:24000]
    assert (
        found(one=np.zeros((RATE_HZ * 3, 2)), other=np.zeros((RATE_HZ * 3, 2)), short=short, copy=short) == []
    )
    assert doubles({}) == []


def test_a_copy_that_sounds_for_one_second_only():
    audio = np.zeros((12 * RATE_HZ, 2))
    audio[5 * RATE_HZ : 6 * RATE_HZ] = healthy.music()[:RATE_HZ]
    (double,) = found(one=audio, other=0.3 * audio)
    assert double.where == ((5.0, 6.0),)


def test_what_is_kept_is_bounded():
    kept = fingerprint(np.tile(healthy.music(), (4, 1)))
    assert sum(wave.nbytes for wave in kept.excerpts().values()) <= 16 * 4 * 4001


def test_block_size_does_not_matter():
    audio = healthy.music()
    one, other = Fingerprint(RATE_HZ), Fingerprint(RATE_HZ)
    one.feed(audio)
    for start in range(0, len(audio), 777):
        other.feed(audio[start : start + 777])
    for (at, wave), (beside, again) in itertools.zip_longest(
        one.excerpts().items(), other.excerpts().items()
    ):
        assert at == beside
        np.testing.assert_array_equal(wave, again)
