"""Masking between stems made so that it is known who hides whom, where and when."""

import itertools

import numpy as np
import pytest
from scipy import signal

from busproc.measure.excitation import Excitation, erb_number, freq_at
from busproc.measure.masking import Masking

RATE_HZ = 24000
SECONDS = 10
BOOST_HZ = 800.0


def noise(low_hz, high_hz, seed, slope=0.0):
    """Noise within a band, at -20 dBFS, falling by 6 dB an octave for a slope of 1."""
    waves = np.random.default_rng(seed).standard_normal((SECONDS * RATE_HZ, 2))
    bins = np.fft.rfft(waves, axis=0)
    freqs_hz = np.fft.rfftfreq(len(waves), 1 / RATE_HZ)
    shape = np.where((freqs_hz >= low_hz) & (freqs_hz <= high_hz), np.maximum(freqs_hz, 20) ** -slope, 0)
    made = np.fft.irfft(bins * shape[:, None], len(waves), axis=0)
    return 0.1 * made / np.sqrt((made**2).mean())


def voice():
    """Syllables, from 80 Hz to 10 kHz."""
    times_s = np.arange(SECONDS * RATE_HZ) / RATE_HZ
    return noise(80, 10000, 3, 0.7) * np.clip(0.8 * np.sin(14.5 * times_s) + 0.3, 0, 1)[:, None]


def around(freq_hz, erb):
    return [freq_at(erb_number(freq_hz) + side * erb) for side in (-1, 1)]


def db(level_db):
    return 10 ** (level_db / 20)


def masking(size=None, **stems):
    found = Masking(RATE_HZ, list(stems))
    frames = len(next(iter(stems.values())))
    for start in range(0, frames, size or frames):
        found.feed({name: audio[start : start + (size or frames)] for name, audio in stems.items()})
    return found


def hiding(masker, masked=None):
    stems = masking(voice=voice() if masked is None else masked, masker=masker)
    return next(pair for pair in stems.pairs() if pair.masked == "voice")


def bell(audio, gain_db, q):
    """The cookbook's bell at 800 Hz, and its gain in decibels at the bands."""
    amplitude, turn = 10 ** (gain_db / 40), 2 * np.pi * BOOST_HZ / RATE_HZ
    alpha = np.sin(turn) / (2 * q)
    b = [1 + alpha * amplitude, -2 * np.cos(turn), 1 - alpha * amplitude]
    a = [1 + alpha / amplitude, -2 * np.cos(turn), 1 - alpha / amplitude]
    response = signal.freqz(b, a, Excitation(RATE_HZ).freqs_hz, fs=RATE_HZ)[1]
    return signal.lfilter(b, a, audio, axis=0), 20 * np.log10(np.abs(response))


@pytest.mark.parametrize("freq_hz", [100, 200, 400, 800, 1600, 3200, 6400, 9000])
@pytest.mark.parametrize("level_db", [-12, 0, 6])
def test_the_band_named_is_within_one_erb_of_the_true_one(freq_hz, level_db):
    found = hiding(db(level_db) * noise(*around(freq_hz, 0.5), seed=5))
    assert erb_number(found.freq_hz) == pytest.approx(erb_number(freq_hz), abs=1.0)


@pytest.mark.parametrize("slope", [0.0, 0.5])
@pytest.mark.parametrize("level_db", [-12, -6, 0])
@pytest.mark.parametrize("q", [2, 4])
def test_a_boost_of_the_masker_raises_the_loss_there_and_nowhere_else(slope, level_db, q):
    """'Elsewhere' is where the bell itself adds less than half a decibel."""
    masker = db(level_db) * noise(30, 11000, 6, slope)
    boosted, gain_db = bell(masker, 6.0, q)
    more = np.subtract(hiding(boosted).loss_by_band, hiding(masker).loss_by_band)
    assert more[gain_db.argmax()] >= 0.05
    assert np.abs(more[gain_db < 0.5]).max() <= 0.015


def test_a_boost_within_one_band_stays_there():
    low_hz, high_hz = around(BOOST_HZ, 1.0)
    masker = db(-6) * noise(30, 11000, 6)
    bins, freqs_hz = np.fft.rfft(masker, axis=0), np.fft.rfftfreq(len(masker), 1 / RATE_HZ)
    bins[(freqs_hz > low_hz) & (freqs_hz < high_hz)] *= 2
    more = np.subtract(
        hiding(np.fft.irfft(bins, len(masker), axis=0)).loss_by_band, hiding(masker).loss_by_band
    )
    away_erb = np.abs([erb_number(freq) - erb_number(BOOST_HZ) for freq in Excitation(RATE_HZ).freqs_hz])
    assert more[away_erb.argmin()] >= 0.05
    assert np.abs(more[away_erb > 2.5]).max() <= 0.015


def test_the_louder_the_masker_the_more_is_lost_in_every_band():
    found = [hiding(db(level) * noise(30, 11000, 6, 0.5)) for level in range(-30, 31, 6)]
    for quieter, louder in itertools.pairwise(found):
        assert louder.loss > quieter.loss
        assert (np.subtract(louder.loss_by_band, quieter.loss_by_band) >= 0).all()
        assert (np.subtract(louder.covered_by_band, quieter.covered_by_band) >= 0).all()


def test_only_what_lies_under_a_level_of_both_matters():
    one, other = (
        hiding(gain * db(-6) * noise(30, 11000, 6), gain * voice()).loss_by_band for gain in (1.0, 2.0**-10)
    )
    assert other == pytest.approx(one, abs=1e-5)


def test_a_silent_masker_hides_nothing_and_a_silent_stem_is_not_hidden():
    stems = masking(voice=voice(), nothing=np.zeros((SECONDS * RATE_HZ, 2)))
    (pair,) = stems.pairs()
    assert (pair.masked, pair.masker, pair.loss) == ("voice", "nothing", 0.0)
    assert set(pair.loss_by_band) == {0.0}


def test_a_copy_takes_most_of_a_stem():
    # 1 - ((1 + m)^0.23 - m^0.23) with m 4 dB under 1: 0.69; more where the copy still holds from before
    found = hiding(voice())
    assert 0.69 <= found.loss <= 0.76


def test_it_counts_only_while_the_masked_stem_sounds():
    # a masker that fills the pauses alone; what it holds over into the sound is down by 30 dB after 0.4 s
    gate = (np.arange(SECONDS * RATE_HZ) // RATE_HZ % 2)[:, None].astype(float)
    masked = noise(80, 10000, 3) * gate
    in_turn, at_once = (hiding(noise(80, 10000, 4) * g, masked).loss for g in (1 - gate, gate))
    assert in_turn < 0.25
    assert at_once > 0.65


def test_noise_far_under_the_stem_is_no_sound_of_its_own():
    masker = noise(200, 4000, 4)
    gate = (np.arange(SECONDS * RATE_HZ) // RATE_HZ % 2)[:, None]
    clean = noise(200, 4000, 3) * gate
    noisy = clean + db(-45) * noise(200, 4000, 8)
    assert hiding(masker, noisy).loss == pytest.approx(hiding(masker, clean).loss, abs=0.01)


def test_it_says_in_which_second_and_how_much_of_the_time():
    masker = noise(*around(1000, 1.0), seed=5)
    second = np.arange(SECONDS * RATE_HZ) // RATE_HZ
    masker[(second < 6) | (second > 7)] = 0.0
    masker[second == 7] *= db(-12)
    masked = noise(500, 2000, 3)
    stems = masking(voice=masked, masker=masker)
    found = next(pair for pair in stems.pairs() if pair.masked == "voice")
    assert found.worst == (6.0, 7.0)
    assert found.covered_by_band[found.band] == pytest.approx(0.1, abs=0.02)
    assert found.sounds_by_band[found.band] > 0.98
    by_second = stems.by_second("voice", "masker")
    assert by_second.shape == (SECONDS, len(stems.freqs_hz))
    assert by_second[:, found.band].argmax() == 6
    assert np.nanmax(by_second[:6, found.band]) < 0.02  # a window reaches into the sixth second
    assert np.isnan(by_second[:, 0]).all()


def test_all_others_hide_more_than_each():
    stems = masking(voice=voice(), low=noise(80, 800, 4), high=noise(2000, 10000, 5))
    rest = {found.masked: found for found in stems.against_rest()}
    for pair in stems.pairs():
        assert (np.subtract(rest[pair.masked].loss_by_band, pair.loss_by_band) >= -1e-9).all()
    for low, high in ((0, 2.5), (10, 0)):
        others = masking(voice=voice(), rest=db(low) * noise(80, 800, 4) + db(high) * noise(2000, 10000, 5))
        apart = masking(voice=voice(), low=db(low) * noise(80, 800, 4), high=db(high) * noise(2000, 10000, 5))
        expected = next(found.loss for found in others.against_rest() if found.masked == "voice")
        found = next(found.loss for found in apart.against_rest() if found.masked == "voice")
        assert found == pytest.approx(expected, abs=0.01)


def test_a_stem_alone_loses_nothing():
    alone = masking(voice=voice())
    assert alone.pairs() == []
    assert [found.loss for found in alone.against_rest()] == [0.0]


def test_pairs_come_in_the_order_of_what_is_lost():
    stems = masking(voice=voice(), loud=noise(80, 10000, 4), quiet=0.05 * noise(80, 10000, 5))
    losses = [pair.loss for pair in stems.pairs()]
    assert len(losses) == 6
    assert losses == sorted(losses, reverse=True)


@pytest.mark.parametrize("size", [37, 4096])
def test_block_size_does_not_matter(size):
    sounds = {"one": noise(80, 8000, 1)[: 2 * RATE_HZ], "other": noise(80, 8000, 2)[: 2 * RATE_HZ]}
    assert masking(size, **sounds).pairs() == masking(**sounds).pairs()
