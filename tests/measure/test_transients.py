"""Transient-to-body ratio: it follows the attacks, whatever the level."""

import numpy as np
import pytest

from busproc.chain import process
from busproc.measure.transients import Transients
from busproc.stages.compressor import Compressor

RATE_HZ = 48000
BANDS = ["low", "low_mid", "mid", "high"]
HIT_S, EVERY_S, FIRST_S = 0.35, 0.4, 0.1


def transients_of(audio, rate_hz=RATE_HZ, size=None):
    transients = Transients(rate_hz)
    for start in range(0, len(audio), size or len(audio)):
        transients.feed(audio[start : start + (size or len(audio))])
    return transients


def starts(seconds):
    frames = int(seconds * RATE_HZ) - int(HIT_S * RATE_HZ)
    return range(int(FIRST_S * RATE_HZ), frames, int(EVERY_S * RATE_HZ))


def drums(seconds=6.0):
    """Noise bursts with a ringing body, every second one with a kick that falls to 60 Hz."""
    rng = np.random.default_rng(1)
    audio = np.zeros((int(seconds * RATE_HZ), 2))
    times_s = np.arange(int(HIT_S * RATE_HZ)) / RATE_HZ
    kick = np.sin(2 * np.pi * (60 * times_s + 2 * (1 - np.exp(-times_s / 0.02)))) * np.exp(-times_s / 0.12)
    fall = 0.4 * np.exp(-times_s / 0.03) + 0.25 * np.exp(-times_s / 0.25)
    for n, start in enumerate(starts(seconds)):
        hit = rng.standard_normal((len(times_s), 2)) * fall[:, None]
        audio[start : start + len(times_s)] += hit + (kick[:, None] if n % 2 == 0 else 0)
    return 0.3 * audio


def gated(attack_db, body_db=-20.0, seconds=6.0):
    """Noise that is loud for 30 ms and holds a body for the rest of each hit."""
    gain = np.zeros(int(seconds * RATE_HZ))
    for start in starts(seconds):
        gain[start : start + int(HIT_S * RATE_HZ)] = 10 ** (body_db / 20)
        gain[start : start + int(0.030 * RATE_HZ)] = 10 ** (attack_db / 20)
    return 0.1 * np.random.default_rng(2).standard_normal((len(gain), 2)) * gain[:, None]


@pytest.mark.parametrize("size", [1, 7, 1000, 4096])
def test_block_size_does_not_matter(size):
    audio = drums(1.5)[: RATE_HZ + 5000] if size > 7 else drums(1.5)[:24000]
    assert transients_of(audio, size=size).to_body_db() == transients_of(audio).to_body_db()


def test_onsets_are_found_where_the_hits_begin():
    cells = transients_of(drums()).onsets()["whole"]
    np.testing.assert_allclose(cells * 96, list(starts(6.0)), atol=2 * 96)


def test_it_reads_what_attack_and_body_were_made_of():
    found = transients_of(gated(-3.0, -15.0)).to_body_db()["whole"]
    assert found == pytest.approx(12.0, abs=0.2)


@pytest.mark.parametrize("more_db", [1.0, 3.0, 6.0, 12.0])
def test_louder_attacks_move_it_by_as_much(more_db):
    before, after = (transients_of(gated(level)).to_body_db() for level in (-14.0, -14.0 + more_db))
    assert after["whole"] - before["whole"] == pytest.approx(more_db, abs=0.01)
    for name in ("mid", "high"):
        assert after[name] - before[name] == pytest.approx(more_db, abs=0.3)


@pytest.mark.parametrize("gain", [2.0**-20, 0.5, 8.0])
def test_the_level_does_not_matter(gain):
    found, expected = transients_of(gain * drums()).to_body_db(), transients_of(drums()).to_body_db()
    assert found == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(("attack_ms", "sign", "least_db"), [(30.0, 1, 1.2), (0.5, -1, 2.0)])
def test_slow_compressors_raise_it_and_fast_ones_lower_it(attack_ms, sign, least_db):
    # without look-ahead, and in every band: measured +1.3 to +2.4 dB, and -2.5 to -5.2 dB
    stage = Compressor(
        threshold_dbfs=-24.0, ratio=4.0, attack_ms=attack_ms, release_ms=80.0, detector="peak", makeup_db=6.0
    )
    plain = transients_of(drums())
    squeezed = transients_of(process(stage, drums(), RATE_HZ)).to_body_db(plain.onsets())
    for name in ("whole", *BANDS):
        assert sign * (squeezed[name] - plain.to_body_db()[name]) > least_db, name


def test_the_faster_the_attack_the_lower_it_is():
    found = [
        transients_of(
            process(
                Compressor(threshold_dbfs=-24.0, ratio=4.0, attack_ms=attack_ms, release_ms=80.0),
                drums(),
                RATE_HZ,
            )
        ).to_body_db()["whole"]
        for attack_ms in (0.1, 0.5, 1.0, 3.0, 10.0, 30.0)
    ]
    assert found == sorted(found)


def test_a_body_ends_where_the_next_hit_begins():
    gain = np.full(2 * RATE_HZ, 0.1)
    for start in range(4800, len(gain), 5760):  # every 120 ms
        gain[start : start + 1440] = 1.0
    audio = 0.1 * np.random.default_rng(3).standard_normal((len(gain), 2)) * gain[:, None]
    assert transients_of(audio).to_body_db()["whole"] == pytest.approx(20.0, abs=0.3)


def test_it_is_measured_at_the_onsets_that_are_given():
    audio = gated(-3.0, -15.0)
    audio[len(audio) // 2 :] = gated(-12.0, -15.0)[len(audio) // 2 :]
    transients = transients_of(audio)
    cells = transients.onsets()["whole"]
    for part, expected_db in ((cells[:7], 12.0), (cells[8:], 3.0)):
        onsets = dict.fromkeys(("whole", *BANDS), part)
        assert transients.to_body_db(onsets)["whole"] == pytest.approx(expected_db, abs=0.2)
    assert set(transients.to_body_db(dict.fromkeys(onsets, cells[:0])).values()) == {None}


def test_steady_noise_begins_once_and_has_no_attacks():
    transients = transients_of(0.1 * np.random.default_rng(4).standard_normal((5 * RATE_HZ, 2)))
    assert len(transients.onsets()["whole"]) == 1
    assert transients.to_body_db()["whole"] == pytest.approx(0.0, abs=0.3)


@pytest.mark.parametrize("frames", [0, 100, 20000])
def test_silence_has_no_transients(frames):
    assert set(transients_of(np.zeros((frames, 2)), size=1000).to_body_db().values()) == {None}


def test_an_attack_without_a_body_has_no_ratio():
    audio = np.zeros((RATE_HZ, 2))
    audio[9600:10000] = 0.5
    assert transients_of(audio).to_body_db()["whole"] is None


def test_bands_beyond_the_rate_are_left_out():
    assert list(transients_of(gated(-3.0), 8000).to_body_db()) == ["whole", "low", "low_mid", "mid"]
