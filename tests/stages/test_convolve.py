"""Responses: read, converted, trimmed, weighed, found by every name; convolved as the formula says."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from scipy import signal

from busproc.chain import Chain, load_chain, process
from busproc.changes import changed
from busproc.delivery.printing import print_session
from busproc.delivery.recall import recall
from busproc.digests import treatment_sha256
from busproc.errors import InputError, SettingsFileError
from busproc.files import open_writer
from busproc.presets import load_preset
from busproc.rendering import render
from busproc.settings import NamedFile, named_files
from busproc.song import load_session
from busproc.stages import convolve, responses
from busproc.stages.context import Context
from busproc.stages.convolve import Convolve
from busproc.validate import validate_file
from tests.contract.draw import run
from tests.songs import noise, write_session
from tests.stages.probe import RATE_HZ

ROUNDING = 1e-12


def decaying(frames, channels=2, seed=1):
    fall = np.exp(-np.arange(frames) / frames * 5)[:, None]
    return 0.5 * fall * np.random.default_rng(seed).uniform(-1, 1, (frames, channels))


def written(file, sound, rate_hz=RATE_HZ):
    file.parent.mkdir(parents=True, exist_ok=True)
    with open_writer(file, "wav", "32_float", rate_hz, sound.shape[1], len(sound)) as writer:
        writer.write(np.ascontiguousarray(sound))
    return file


def answer(stage, sound):
    """What leaves, until the last answer has died away."""
    return process(stage, np.pad(sound, ((0, stage.plan(Context(RATE_HZ)).tail_frames), (0, 0))), RATE_HZ)


@pytest.mark.parametrize("frames", [1, 300, 512, 513, 6144, 6145, 40000])
@pytest.mark.parametrize("channels", [1, 2])
def test_it_is_the_sum_of_the_formula(tmp_path, frames, channels):
    """Against scipy's convolution of each side with its own response."""
    response = decaying(frames, channels).astype(np.float32).astype(float)
    stage, sound = Convolve(response=str(written(tmp_path / "a.wav", response)), mix=1.0), noise(0.2, 3)
    out = answer(stage, sound)
    weighed = response / math.sqrt((response**2).sum() / channels)
    for side in range(2):
        wanted = signal.fftconvolve(sound[:, side], weighed[:, side % channels])
        np.testing.assert_allclose(out[: len(wanted), side], wanted[: len(out)], rtol=0, atol=ROUNDING)


@pytest.mark.parametrize("frames", [700, 30000])
@pytest.mark.parametrize("blocks", [1, 333, 4096])
def test_blocks_and_lanes_do_not_matter(tmp_path, frames, blocks):
    stage = Convolve(response=str(written(tmp_path / "a.wav", decaying(frames))), mix=0.7, pre_delay_ms=3.0)
    parts = [noise(0.15, seed) for seed in (1, 2)]
    lanes = np.stack([sum(parts), *parts], axis=1)
    whole = run(stage, lanes)
    np.testing.assert_array_equal(run(stage, lanes, blocks=blocks), whole)
    np.testing.assert_array_equal(run(stage, lanes[:, :1].copy())[:, 0], whole[:, 0])
    assert np.abs(whole[:, 1:].sum(axis=1) - whole[:, 0]).max() < ROUNDING


@pytest.mark.parametrize(("frames", "late"), [(400, 512), (12288, 1024), (192000, 16384), (400000, 16384)])
def test_the_block_and_with_it_the_latency_follow_the_length(frames, late):
    assert convolve.convolver(decaying(frames)).latency_frames == late


def test_dry_and_wet_leave_together(tmp_path):
    stage = Convolve(response=str(written(tmp_path / "a.wav", np.ones((1, 2)))), mix=0.5, gain_db=6.0)
    sound = noise(0.1, 1)
    np.testing.assert_allclose(process(stage, sound, RATE_HZ), sound * (0.5 + 0.5 * 10**0.3), rtol=1e-9)


def test_the_answer_waits_and_ends_when_it_is_said_to(tmp_path):
    response = written(tmp_path / "a.wav", decaying(5000))
    stage = Convolve(response=str(response), mix=1.0, pre_delay_ms=20.0)
    plan = stage.plan(Context(RATE_HZ))
    assert plan.tail_frames == 960 + 5000
    impulse = np.zeros((9000, 2))
    impulse[0] = 1.0
    heard = np.flatnonzero(np.abs(process(stage, impulse, RATE_HZ)[:, 0]) > 1e-9)
    assert heard[0] == 960
    assert 960 + 4990 < heard[-1] < 960 + 5000


def test_white_noise_stays_as_loud_as_it_is(tmp_path):
    for response in (decaying(9000), 0.001 * decaying(9000, 1), decaying(9000) * [1.0, 0.1]):
        stage = Convolve(response=str(written(tmp_path / "a.wav", response)), mix=1.0)
        sound = np.random.default_rng(1).normal(size=(4 * RATE_HZ, 2))
        out = process(stage, sound, RATE_HZ)[RATE_HZ:]
        assert 10 * math.log10((out**2).mean()) == pytest.approx(0.0, abs=0.1)


def test_silence_at_either_end_is_cut_off(tmp_path):
    response = decaying(2000)
    padded = np.concatenate([np.full((700, 2), 1e-5), response, np.full((900, 2), 1e-5)])
    peak = np.abs(response).max()
    assert 20 * math.log10(1e-5 / peak) < responses.SILENT_DB
    found = responses.response_of(NamedFile(str(written(tmp_path / "a.wav", padded))), RATE_HZ)
    assert len(found) == 2000


@pytest.mark.parametrize("rate_hz", [44100, 96000])
def test_another_rate_is_converted(tmp_path, rate_hz):
    """The same gain at every frequency that both have, and the same length in time."""
    response = signal.sosfilt(signal.butter(4, 6000, fs=RATE_HZ, output="sos"), decaying(20000), axis=0)
    file = NamedFile(str(written(tmp_path / "a.wav", response)))
    there, here = (responses.response_of(file, rate) for rate in (RATE_HZ, rate_hz))
    assert len(here) / rate_hz == pytest.approx(len(there) / RATE_HZ, rel=0.01)
    gains = [
        np.abs(signal.freqz(taps[:, 0], worN=[100, 440, 1000, 3000], fs=rate)[1])
        for taps, rate in ((there, RATE_HZ), (here, rate_hz))
    ]
    np.testing.assert_allclose(gains[1], gains[0], rtol=0.01)


def test_the_rate_of_the_file_does_not_matter(tmp_path):
    """One body made at two rates is as loud at a third."""
    found = []
    for rate_hz in (44100, 96000):
        file = written(tmp_path / f"{rate_hz}.wav", responses.wooden_box(rate_hz), rate_hz)
        taps = responses.response_of(NamedFile(str(file)), RATE_HZ)
        found.append(10 * math.log10((taps**2).sum() / 2))
    np.testing.assert_allclose(found, 0.0, atol=0.05)


def test_a_response_that_changes_on_disk_is_read_again(tmp_path):
    file = NamedFile(str(written(tmp_path / "a.wav", decaying(500))))
    assert len(responses.response_of(file, RATE_HZ)) == 500
    written(file.path, decaying(600))
    assert len(responses.response_of(file, RATE_HZ)) == 600


def test_the_wooden_box_is_a_body_and_no_place():
    """It is done in half a second, half of it in 30 ms, and lies where wood does."""
    taps = responses.response_of("wooden_box", RATE_HZ)
    energy = np.cumsum((taps**2).sum(axis=1))
    assert len(taps) <= RATE_HZ // 2
    assert np.searchsorted(energy, energy[-1] / 2) < 0.03 * RATE_HZ
    power = np.abs(np.fft.rfft(taps[:, 0], RATE_HZ)) ** 2
    assert power[90:2000].sum() > 0.9 * power.sum()


BAD = {
    "is not there": (lambda file: None, "does not exist"),
    "is text": (lambda file: file.write_text("no sound"), "is text, not audio"),
    "is silent": (lambda file: written(file, np.zeros((50, 1))), "holds nothing but silence"),
    "has three channels": (lambda file: written(file, np.ones((50, 3))), "3 channels"),
    "is long": (lambda file: written(file, np.ones((31 * 8000, 1)), 8000), "lasts 31.0 s"),
}


@pytest.mark.parametrize("fault", BAD)
def test_a_bad_file_is_named_with_its_place(tmp_path, fault):
    spoil, told = BAD[fault]
    spoil(tmp_path / "rooms.wav")
    chain = {"room": [{"stage": "parallel", "branches": [{"level_db": 0, "stages": [a_room("rooms.wav")]}]}]}
    session = write_session(tmp_path, {"a": noise(0.1, 1)}, chain, mix_bus={"chain": "room.json"})
    with pytest.raises(SettingsFileError) as caught:
        load_session(session)
    (found,) = caught.value.faults
    assert told in found
    assert "rooms.wav" in found
    assert "branches[0].stages[0].response" in found


def test_a_chain_that_is_checked_alone_names_what_is_missing(tmp_path):
    file = tmp_path / "chain.json"
    file.write_text(json.dumps({"format": "busproc-chain/1", "stages": [a_room("x.wav")]}))
    with pytest.raises(SettingsFileError, match=r"stages\[0\].response: .*x.wav does not exist"):
        validate_file(file)
    written(tmp_path / "x.wav", decaying(50))
    assert validate_file(file) == "good chain: convolve"


def test_a_planned_stage_names_itself():
    with pytest.raises(InputError, match=r"^convolve.response: nowhere.wav does not exist"):
        Convolve(response="nowhere.wav").plan(Context(RATE_HZ))


def a_room(name):
    return {"stage": "convolve", "response": name, "mix": 0.4}


@pytest.fixture
def home(tmp_path):
    """A session whose chain lies in one folder and its response in another."""
    written(tmp_path / "song" / "rooms" / "hall.wav", decaying(3000))
    (tmp_path / "song" / "chains").mkdir()
    chain = {"format": "busproc-chain/1", "stages": [a_room("../rooms/hall.wav")]}
    (tmp_path / "song" / "chains" / "room.json").write_text(json.dumps(chain))
    write_session(tmp_path / "song", {"a": noise(0.3, 1)}, mix_bus={"chain": "chains/room.json"})
    return tmp_path / "song"


def files_of(chain):
    return {where: (str(file), file.path.resolve()) for where, file in named_files(chain)}


def test_a_name_is_meant_from_the_folder_of_its_chain(home, monkeypatch, tmp_path):
    hall = (home / "rooms" / "hall.wav").resolve()
    chain = load_chain(home / "chains" / "room.json")
    assert files_of(chain) == {"stages[0].response": ("../rooms/hall.wav", hall)}
    monkeypatch.chdir(tmp_path)
    near = load_session("song/session.json").buses["mix_bus"].chain
    assert files_of(near) == {"stages[0].response": ("rooms/hall.wav", hall)}


def test_a_changed_chain_finds_the_same_files(home):
    chain = load_chain(home / "chains" / "room.json")
    other, faults = changed(chain, {"convolve.mix": 1.0})
    assert faults == []
    assert files_of(other) == files_of(chain)
    written(home / "rooms" / "cell.wav", decaying(40))
    other, _ = changed(chain, {"convolve.response": "../rooms/cell.wav"})
    assert files_of(other)["stages[0].response"][1] == (home / "rooms" / "cell.wav").resolve()


def test_a_song_names_the_files_of_another_chain_from_its_own_folder(home):
    song = load_session(home / "session.json")
    chain = load_chain(home / "chains" / "room.json")
    assert files_of(song.with_mix_bus(chain).buses["mix_bus"].chain) == files_of(song.buses["mix_bus"].chain)
    assert song.with_mix_bus(Chain()).buses["mix_bus"].chain == Chain()


def test_a_delivery_is_made_again_with_its_response(home, tmp_path):
    """And again out of the recall's own files, put where the session's were."""
    print_session(home / "session.json", tmp_path / "delivery")
    assert recall(tmp_path / "delivery", home).is_same
    again = tmp_path / "again"
    (tmp_path / "delivery" / "recall").rename(again)
    (home / "rooms").rename(again / "rooms")
    (home / "a.wav").rename(again / "a.wav")
    second = print_session(again / "session.json", tmp_path / "second").files[0]
    assert second.read_bytes() == (tmp_path / "delivery" / second.name).read_bytes()


def test_another_response_under_the_same_name_is_another_treatment(home):
    first = treatment_sha256(load_session(home / "session.json"))
    assert treatment_sha256(load_session(home / "session.json")) == first
    written(home / "rooms" / "hall.wav", decaying(3000, seed=2))
    assert treatment_sha256(load_session(home / "session.json")) != first


def test_a_response_is_not_written_over(home):
    name = render(home / "session.json", home / "out").files[0].name
    (home / "rooms" / "hall.wav").rename(home / "rooms" / name)
    chain = {"format": "busproc-chain/1", "stages": [a_room(f"../rooms/{name}")]}
    (home / "chains" / "room.json").write_text(json.dumps(chain))
    with pytest.raises(InputError, match="one of the song's own files"):
        render(home / "session.json", home / "rooms", overwrite=True)


def test_a_response_outside_of_the_session_must_be_allowed(home, tmp_path):
    written(tmp_path / "far.wav", decaying(100))
    chain = {"format": "busproc-chain/1", "stages": [a_room("../../far.wav")]}
    (home / "chains" / "room.json").write_text(json.dumps(chain))
    with pytest.raises(SettingsFileError, match=r"mix_bus.chain: stages\[0\].response: .* leads out of"):
        load_session(home / "session.json")
    song = load_session(home / "session.json", allow_outside=True)
    assert files_of(song.buses["mix_bus"].chain)["stages[0].response"][0] == "../far.wav"


def test_the_cause_is_told_when_the_response_is_not_what_it_was(home, tmp_path):
    print_session(home / "session.json", tmp_path / "delivery")
    written(home / "rooms" / "hall.wav", decaying(3000, seed=2))
    done = recall(tmp_path / "delivery", home)
    assert not done.is_same
    assert "convolve" in done.begins_at


def test_wooden_body_knocks_and_is_dry_again():
    """A click comes back with most of what was added between 90 Hz and 2 kHz, and half a second of it."""
    click = np.zeros((RATE_HZ, 2))
    click[0] = 1.0
    out = process(load_preset("wooden_body").stages[0], click, RATE_HZ)
    added = np.abs(np.fft.rfft(out[1:, 0])) ** 2
    assert added[90:2000].sum() > 0.9 * added.sum()
    assert np.abs(out[RATE_HZ // 2 :]).max() < 1e-12
