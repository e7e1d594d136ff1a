"""Clipped tops: how many, how long, where; and sounds that are flat by nature."""

import numpy as np
import pytest
import soxr

from busproc.measure.faults.clipping import ClippedRuns
from tests.measure import healthy

RATE_HZ = healthy.RATE_HZ


def clipping(audio, size=4096):
    search = ClippedRuns(RATE_HZ, audio.shape[1])
    for start in range(0, len(audio), size):
        search.feed(audio[start : start + size])
    return search.finding()


def clipped(audio, over_db):
    ceiling = np.abs(audio).max() * 10 ** (-over_db / 20)
    return np.clip(audio, -ceiling, ceiling), ceiling


def runs_at(audio, ceiling):
    """Every run of three or more samples at a ceiling, the slow and obvious way: its lengths."""
    lengths = []
    for wave in audio.T:
        for side in (ceiling, -ceiling):
            length = 0
            for is_there in [*(wave == side), False]:
                if is_there:
                    length += 1
                elif length:
                    lengths += [length] * (length >= 3)
                    length = 0
    return lengths


@pytest.mark.parametrize("name", ["music", "organ", "drums", "dark", "two_performances", "wide_room"])
@pytest.mark.parametrize("over_db", [3, 6, 12])
@pytest.mark.parametrize("gain", [1.0, 0.5])
def test_clipped_tops_are_counted(name, over_db, gain):
    audio, ceiling = clipped(healthy.SOUNDS[name](), over_db)
    found = clipping(gain * audio)
    lengths = runs_at(audio, ceiling)
    assert found.found
    assert found.level_dbfs == pytest.approx(20 * np.log10(gain * ceiling), abs=0.01)
    assert 0.75 * len(lengths) <= found.runs <= len(lengths)  # low notes leave their tops too slowly
    assert found.longest_frames == max(lengths)


def test_one_decibel_over_is_enough_where_tops_are_many():
    audio, ceiling = clipped(healthy.organ(), 1)
    found = clipping(audio)
    assert found.found
    assert found.frames == pytest.approx(sum(runs_at(audio, ceiling)), rel=0.15)


def test_where_it_is_clipped():
    audio = healthy.organ()
    within = (healthy.times() > 4) & (healthy.times() < 6)
    audio[within] = np.clip(audio[within], -0.1, 0.1)
    found = clipping(audio)
    assert found.found
    assert found.where == (pytest.approx((4.0, 6.0), abs=0.15),)


def test_one_channel_clipped_on_one_side():
    audio = healthy.organ()
    audio[:, 0] = np.minimum(audio[:, 0], 0.12)
    found = clipping(audio)
    assert found.found
    assert found.runs == pytest.approx(len(runs_at(audio[:, :1], 0.12)), rel=0.05)


@pytest.mark.parametrize("gain", [1.0, 0.5])
def test_dither_of_sixteen_bit_hides_it_not(gain):
    audio, ceiling = clipped(healthy.drums(), 3)
    noise = np.random.default_rng(1).triangular(-1, 0, 1, audio.shape)
    found = clipping(np.round(gain / ceiling * audio * 32767 + noise) / 32768)
    assert found.found
    assert found.level_dbfs == pytest.approx(20 * np.log10(gain), abs=0.01)


@pytest.mark.parametrize("name", ["music", "organ", "drums", "dark", "two_performances"])
def test_samples_over_full_scale_are_counted_and_are_no_clipping(name):
    audio = healthy.SOUNDS[name]()
    audio *= 1.2 / np.abs(audio).max()
    found = clipping(audio)
    assert not found.found
    assert found.over_full_scale == (np.abs(audio) > 1).sum()


def test_conversion_to_another_rate_takes_the_flat_tops():
    """A limit that is stated, so it is held here."""
    audio, _ = clipped(healthy.music(), 6)
    assert not clipping(soxr.resample(audio, RATE_HZ, 44100)).found


@pytest.mark.parametrize("order", [1, 2, 4])
@pytest.mark.parametrize("freq_hz", [40.0, 110.0])
def test_a_square_wave_through_a_filter_is_not_clipped(order, freq_hz):
    wave = np.sign(np.sin(2 * np.pi * freq_hz * healthy.times()))
    assert not clipping(healthy.filtered(0.9 * healthy.stereo(wave), order, 3000)).found


@pytest.mark.parametrize("bits", [4, 8, 12, 16])
@pytest.mark.parametrize("freq_hz", [31.0, 220.0, 997.0])
def test_a_steady_tone_of_few_bits_is_not_clipped(bits, freq_hz):
    full = 2 ** (bits - 1)
    wave = np.round(np.sin(2 * np.pi * freq_hz * healthy.times()) * (full - 1)) / full
    assert not clipping(wave[:, None]).found
