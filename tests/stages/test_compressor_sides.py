"""A compressor beyond its curve and pace: sides, look-ahead, range, make-up, oversampling."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
import soundfile as sf
from hypothesis import given, settings
from hypothesis import strategies as st

import busproc
from busproc.chain import process
from busproc.measure.meter import Meter
from busproc.stages.compressor import Compressor
from busproc.stages.context import Context
from tests import oracles, songs
from tests.contract.draw import settings_of
from tests.stages.probe import RATE_HZ, db, gain_curve, noise, sine, stereo

STATIC_DB = 0.001


def instant(**rest):
    """Follows at once; 4:1 over -30, hard."""
    curve = {"threshold_dbfs": -30.0, "ratio": 4.0, "knee_db": 0.0} | rest
    return Compressor(**curve, attack_ms=0.0, release_ms=1.0, detector="peak")


def steady(left, right):
    return np.tile([left, right], (8, 1))


def asked(level, ratio=4):
    return oracles.static_gain_db(db(level), -30, ratio, 0)


def test_infinity_is_a_ratio():
    gain = db(gain_curve(instant(ratio="infinity"), steady(0.5, 0.5))[-1])
    assert db(0.5) + gain == pytest.approx(-30, abs=STATIC_DB)
    assert json.loads(instant(ratio="infinity").model_dump_json())["ratio"] == "infinity"


@pytest.mark.parametrize("range_db", [0.0, 3.0, 12.0, 80.0])
def test_reduction_never_passes_its_range(range_db):
    gain = db(gain_curve(instant(range_db=range_db), steady(0.5, 0.5))[-1])
    assert gain == pytest.approx(max(-range_db, asked(0.5)), abs=STATIC_DB)


@pytest.mark.parametrize("link", [0.0, 0.3, 1.0])
@pytest.mark.parametrize("topology", ["feed_forward", "feedback"])
def test_sides_are_linked_by_the_share_that_is_set(link, topology):
    """Each side's reduction is drawn towards the deeper one, in dB."""
    bus = np.tile([0.5, 0.1], (2000, 1))
    compressor = instant(stereo_link=link, topology=topology)
    left, right = db(process(compressor, bus, RATE_HZ)[-1]) - db(bus[-1])
    alone = asked(0.1)
    if topology == "feed_forward":
        assert right == pytest.approx(alone + link * (asked(0.5) - alone), abs=STATIC_DB)
    assert left == pytest.approx(asked(0.5), abs=STATIC_DB)
    if link == 0:
        assert right == pytest.approx(alone, abs=STATIC_DB)
    if link == 1:
        assert right == pytest.approx(left, abs=STATIC_DB)


def test_unlinked_sides_do_not_hear_each_other():
    bus = noise(3000)
    other = np.column_stack([bus[:, 0], 0.01 * bus[:, 1]])
    compressor = Compressor(threshold_dbfs=-40.0, attack_ms=1.0, stereo_link=0.0)
    left = [process(compressor, each, RATE_HZ)[:, 0] for each in (bus, other)]
    np.testing.assert_array_equal(*left)


def test_mid_and_side_each_have_their_own_gain():
    mid, side = 0.5, 0.1
    out = process(instant(on="mid_side"), steady(mid + side, mid - side), RATE_HZ)[-1]
    assert db(out.sum() / 2) - db(mid) == pytest.approx(asked(mid), abs=STATIC_DB)
    assert db((out[0] - out[1]) / 2) - db(side) == pytest.approx(asked(side), abs=STATIC_DB)


def test_a_quiet_mid_and_side_pass_bit_for_bit():
    bus = noise(2000, level=0.001)
    np.testing.assert_array_equal(process(instant(on="mid_side"), bus, RATE_HZ), bus)


def test_look_ahead_starts_the_reduction_before_the_sound():
    wave = np.full(2000, 1e-4)
    wave[1000:] = 0.5
    early = gain_curve(Compressor(threshold_dbfs=-30.0, attack_ms=1.0, lookahead_ms=5.0), stereo(wave))
    late = gain_curve(Compressor(threshold_dbfs=-30.0, attack_ms=1.0), stereo(wave))
    np.testing.assert_array_equal(early[: 2000 - 240], late[240:])
    assert Compressor(lookahead_ms=5.0).plan(Context(44100)).latency_frames == 220


@settings(max_examples=30)
@given(data=st.data(), still=st.sampled_from([{"mix": 0.0}, {"ratio": 1.0, "makeup_db": 0.0}]))
def test_any_settings_with_nothing_to_do_return_the_input_bit_for_bit(data, still):
    nothing = {"side_chain": (), "key": None} | still
    compressor = data.draw(settings_of("compressor")).model_copy(update=nothing)
    bus = noise(400, level=0.9)
    np.testing.assert_array_equal(process(compressor, bus, RATE_HZ), bus)


@pytest.mark.parametrize("factor", [2, 4])
@pytest.mark.parametrize("on", ["left_right", "mid_side"])
def test_oversampling_keeps_curve_and_pace(factor, on):
    """A steady sine in the middle of the band: the same gain as at the plain rate, to 0.02 dB."""
    bus = stereo(sine(1000, 9600, 0.5))
    curve = {"threshold_dbfs": -30.0, "ratio": 4.0, "attack_ms": 5.0, "release_ms": 50.0, "on": on}
    plain, fine = (process(Compressor(**curve, oversample=k), bus, RATE_HZ) for k in (1, factor))
    late = slice(4800, 9400)
    assert db(fine[late].std() / plain[late].std()) == pytest.approx(0, abs=0.02)


def aliases_db(factor):
    """All that is no harmonic of a 7 kHz tone that a 0.02 ms attack bends, under 16 kHz, against the tone."""
    tone = stereo(sine(7000, RATE_HZ, 0.9))
    compressor = Compressor(
        threshold_dbfs=-30.0, ratio=8.0, attack_ms=0.02, release_ms=1.0, detector="peak", oversample=factor
    )
    lines = np.abs(np.fft.rfft(process(compressor, tone, RATE_HZ)[RATE_HZ // 2 :, 0]))
    own = lines[3500]
    lines[[0, 3500, 10500]] = 0
    return db(math.sqrt((lines[1:8000] ** 2).sum()) / own)


def test_oversampling_folds_less_back():
    """Measured: -36 dB at the plain rate, -52 at twice, -62 at four times."""
    found = [aliases_db(factor) for factor in (1, 2, 4)]
    assert found[0] > found[1] + 3 > found[2] + 6


def loudness(sound):
    meter = Meter(RATE_HZ, 2)
    meter.feed(np.ascontiguousarray(sound))
    return meter.reading().integrated_lufs


@pytest.mark.parametrize("mix", [1.0, 0.6])
def test_matched_make_up_leaves_the_bus_as_loud_as_it_came(tmp_path, mix):
    squeeze = {
        "stage": "compressor",
        "threshold_dbfs": -40,
        "ratio": 5,
        "attack_ms": 3,
        "makeup_db": "matched",
        "mix": mix,
    }
    stem = songs.noise(3, seed=4, peak=0.5)
    file = songs.write_session(tmp_path, {"a": stem}, {"bus": [squeeze]}, mix_bus={"chain": "bus.json"})
    done = busproc.render(file, tmp_path / "out")
    before, after = loudness(stem), loudness(sf.read(done.files[0])[0])
    assert after == pytest.approx(before, abs=0.05)
    record = next(each for each in done.decisions["places"][-1]["decisions"] if each["stage"] == "compressor")
    assert record["did"]["makeup_db"] > 3
    assert f"Make-up of {record['did']['makeup_db']:+.2f} dB" in record["why"]


def test_matched_make_up_of_silence_is_none():
    found = Compressor(makeup_db="matched").study(Context(RATE_HZ))
    found.feed(np.zeros((RATE_HZ, 2)), np.zeros((RATE_HZ, 2)))
    assert found.facts() == {"makeup_db": 0.0}
