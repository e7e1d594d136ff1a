"""Bands that sum to what was cut, each in step with the others and heard by its own stages alone."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from busproc.chain import Chain, process
from busproc.errors import SettingsFileError
from busproc.jsonfile import load_settings
from busproc.rendering import render
from busproc.stages.compressor import Compressor
from busproc.stages.context import Context
from busproc.stages.gain import Gain
from busproc.stages.limiter import Limiter
from busproc.stages.saturator import Saturator
from busproc.stages.split import Band, Split, Top
from busproc.studies import in_order
from tests import songs
from tests.stages.probe import RATE_HZ, db, gain_curve, noise, response, sine, stereo

FLAT_DB = 0.001
FREQ_HZ = np.geomspace(20, 20000, 200)
EDGES_HZ = [(500.0,), (120.0, 2500.0), (60.0, 250.0, 2000.0), (80.0, 100.0, 5000.0, 12000.0)]
EXACT = 1e-13
MUTED = Gain(gain_db=-80.0)

every_phase = pytest.mark.parametrize("phase", ["minimum", "linear"])


def split(*edges_hz, phase="minimum", stages=(), top=None, levels_db=None):
    """Bands at crossovers, all with the same stages unless told otherwise."""
    levels_db = levels_db or [0.0] * len(edges_hz)
    bands = [
        Band(up_to_hz=edge, stages=stages, level_db=level)
        for edge, level in zip(edges_hz, levels_db, strict=True)
    ]
    return Split(bands=tuple(bands), top=Top(stages=stages) if top is None else top, phase=phase)


def gain_db(stage, freq_hz):
    """Gain at frequencies, from an impulse amid silence: a linear phase rings before it."""
    impulse = np.zeros((1 << 16, 2))
    impulse[1 << 15] = 1
    left = process(stage, impulse, RATE_HZ)[:, 0]
    turns = np.outer(np.asarray(freq_hz) / RATE_HZ, np.arange(len(left)))
    return db(np.exp(-2j * np.pi * turns) @ left)


@pytest.mark.parametrize("rate_hz", [44100, 96000])
@pytest.mark.parametrize("edges_hz", EDGES_HZ)
def test_untouched_bands_sum_flat(edges_hz, rate_hz):
    summed = response(split(*edges_hz), FREQ_HZ, rate_hz, frames=1 << 16)
    assert np.abs(db(summed)).max() < FLAT_DB


@pytest.mark.parametrize("edges_hz", EDGES_HZ)
def test_bands_of_linear_phase_sum_to_the_input(edges_hz):
    sound = noise(30000)
    np.testing.assert_allclose(
        process(split(*edges_hz, phase="linear"), sound, RATE_HZ), sound, rtol=0, atol=EXACT
    )


@every_phase
@pytest.mark.parametrize("edge_hz", [200.0, 1000.0, 4000.0])
def test_both_sides_of_a_crossover_are_6_db_down_there_and_fall_at_24_db_an_octave(edge_hz, phase):
    """Linkwitz-Riley of fourth order; the bilinear transform moves only what lies near the top."""
    two = split(edge_hz, phase=phase)
    low, high = (
        gain_db(two.entrance(step), edge_hz * np.array([1 / 8, 1 / 4, 1, 4])) for step in ("bands[0]", "top")
    )
    assert low[2] == pytest.approx(-6.0206, abs=0.04)
    assert high[2] == pytest.approx(-6.0206, abs=0.04)
    assert high[1] == pytest.approx(-48.2, abs=1.0)
    if phase == "minimum":
        assert high[1] - high[0] == pytest.approx(24.1, abs=0.1)
    assert low[3] < -47


def test_the_bands_meet_in_phase():
    three = split(150.0, 2500.0)
    parts = [
        response(three.entrance(step), FREQ_HZ, frames=1 << 16) for step in ("bands[0]", "bands[1]", "top")
    ]
    for below, above in itertools.pairwise(parts):
        both = (np.abs(below) > 0.01) & (np.abs(above) > 0.01)
        assert np.abs(np.angle(below[both] / above[both])).max() < 0.2


@every_phase
def test_a_band_has_its_level_and_the_others_keep_theirs(phase):
    made = gain_db(split(100.0, 3000.0, phase=phase, levels_db=[0.0, -12.0]), [20, 550, 18000])
    assert made == pytest.approx([0, -12, 0], abs=0.25)


@every_phase
def test_bands_of_different_latency_meet_to_the_frame(phase):
    late = Saturator(mix=0.0)
    plain = split(200.0, 3000.0, phase=phase)
    mixed = Split(
        bands=(Band(up_to_hz=200.0, stages=(late,)), Band(up_to_hz=3000.0)),
        top=Top(stages=(late, Limiter(ceiling_dbtp=6.0))),
        phase=phase,
    )
    sound = noise(3000, level=0.5)
    np.testing.assert_array_equal(process(mixed, sound, RATE_HZ), process(plain, sound, RATE_HZ))
    plans = [each.plan(Context(RATE_HZ)) for each in (mixed, plain)]
    assert plans[0].latency_frames > plans[1].latency_frames + 118


def test_a_stage_hears_its_band_and_nothing_else():
    """A loud low tone: the compressor of the upper band stays at rest, the one of the lower works."""
    squeezed = (Compressor(threshold_dbfs=-40.0, ratio=10.0),)
    bus = stereo(sine(60, RATE_HZ, 0.5))
    low = process(Split(bands=(Band(up_to_hz=1000.0, stages=squeezed),)), bus, RATE_HZ)
    high = process(Split(bands=(Band(up_to_hz=1000.0),), top=Top(stages=squeezed)), bus, RATE_HZ)
    plain = process(split(1000.0), bus, RATE_HZ)
    assert db(np.std(low) / np.std(plain)) < -20
    assert np.abs(high - plain).max() < 1e-6


@every_phase
def test_a_key_waits_for_the_band_it_belongs_to(phase):
    keyed = Compressor(threshold_dbfs=-30.0, attack_ms=0.0, detector="peak", key={"from": "kick"})
    stroke = np.zeros((3000, 2))
    stroke[1000:2000] = 0.5
    keys = {"kick:after_chain": stroke}
    wanted = gain_curve(keyed, noise(3000), keys=keys)
    both = split(1000.0, phase=phase, stages=(keyed,))
    summed = gain_curve(split(1000.0, phase=phase), noise(3000))
    fallen = gain_curve(both, noise(3000), keys=keys)
    if phase == "linear":  # both bands fall under the stroke alike, in step with the sound
        np.testing.assert_allclose(fallen[[500, 900, 1100, 1900]], wanted[[500, 900, 1100, 1900]], atol=0.05)
    else:
        np.testing.assert_allclose(fallen[:1000], summed[:1000], rtol=1e-12)
        assert fallen[1500] < 0.5
    assert [where for where, _ in both.key_inputs()] == ["bands[0].stages[0].key", "top.stages[0].key"]
    assert wanted[999] == 1 > wanted[1000]


def test_what_is_measured_for_a_stage_inside_is_its_band():
    """A condition or a matched loudness inside a band hears what the stage will hear."""
    inside = Compressor(threshold_dbfs=-40.0)
    whole = Split(
        bands=(Band(up_to_hz=300.0, level_db=-6.0, stages=(MUTED,)),), top=Top(stages=(Gain(), inside))
    )
    (_, _, first), (_, before_muted, _), _, (where, before, stage) = in_order([("stages[0]", whole)])
    assert first == whole
    assert (where, stage) == ("stages[0].top.stages[1]", inside)
    sound = noise(5000)
    (_, lows), (_, highs), _ = [*before_muted, *before]
    heard = [process(band, sound, RATE_HZ) for band in (lows, highs)]
    np.testing.assert_allclose(sum(heard), process(split(300.0), sound, RATE_HZ), atol=EXACT)
    assert db(np.std(heard[0]) / np.std(sound)) < -15


def test_a_matched_loudness_in_a_band_is_that_of_the_band(tmp_path):
    bend = {"stage": "saturator", "drive_db": 18, "level": "matched"}
    chain = [{"stage": "split", "bands": [{"up_to_hz": 2000, "stages": []}], "top": {"stages": [bend]}}]
    session = songs.write_session(
        tmp_path, {"a": songs.noise(2.0, 5, peak=0.8)}, {"chain": chain}, mix_bus={"chain": "chain.json"}
    )
    (record,) = render(session, tmp_path / "out").decisions["places"][-1]["decisions"]
    inner = record["branches"][1]["decisions"][0]
    assert inner["place"] == "mix_bus.stages[0].top.stages[0]"
    assert inner["did"]["matched_gain_db"] > 0.5
    assert inner["after"]["rms_dbfs"] == pytest.approx(inner["before"]["rms_dbfs"], abs=0.3)


@pytest.mark.parametrize("edges_hz", ["300, 300", "2000, 300"])
def test_crossovers_that_do_not_rise_are_refused(tmp_path, edges_hz):
    bands = ",".join(f'{{"up_to_hz": {edge}}}' for edge in edges_hz.split(","))
    file = tmp_path / "chain.json"
    file.write_text(f'{{"format": "busproc-chain/1", "stages": [{{"stage": "split", "bands": [{bands}]}}]}}')
    with pytest.raises(SettingsFileError) as caught:
        load_settings(file, Chain)
    assert caught.value.faults == [f"stages[0].bands: up_to_hz must rise from band to band, not {edges_hz}"]


def record_of(stage, sound):
    here = Context(RATE_HZ, "mix_bus.stages[0]")
    plan = stage.plan(here)
    state = stage.start(plan, 1, here)
    stage.process(plan, state, np.ascontiguousarray(sound[:, None]), {})
    return stage.record(plan, state, here)


def test_the_record_tells_each_band_and_how_loud_it_came_back():
    record = record_of(split(1000.0, levels_db=[-6.0]), stereo(sine(50, RATE_HZ, 0.5)))
    assert [branch["step"] for branch in record["branches"]] == ["bands[0]", "top"]
    assert record["branches"][0]["returned_dbfs"] == pytest.approx(db(0.5) - 6, abs=0.02)
    assert record["settings"] == {"up_to_hz": [1000.0], "phase": "minimum"}
    assert record["verdict"] == "worked"
    assert record["why"].startswith("2 bands, cut at 1000 Hz: against the bus they came back at -6.0, ")


def test_untouched_bands_say_so():
    assert record_of(split(1000.0), noise(500))["why"] == (
        "2 bands, cut at 1000 Hz, 0 of them with stages or a level of its own."
    )
