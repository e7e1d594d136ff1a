"""A real song through whole sessions: against a second implementation, against itself, and in part."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile as sf

import busproc
from busproc.mixing import start_graph
from busproc.routing import plan_graph
from busproc.run import stream
from tests.material.plain_mix import PlainMix
from tests.material.song_session import (
    EXCERPT_S,
    LATE_S,
    LINEAR_CHAINS,
    MONO,
    full_chains,
    full_session,
    linear_session,
    made_late,
    write_song,
)
from tests.songs import RATE_HZ

pytestmark = pytest.mark.material

PLAYERS = {"keys": 0, "strings": 1, "bass": 2, "voices": 3, "vibes": 4, "drums": 9}
"""Name of each stem: the channel of the score that it was played from."""

FLOAT64_RESIDUE_DBFS = -180.0
FLOAT32_RESIDUE_DBFS = -140.0
"""Rounding to a 24-bit mantissa errs by at most 2**-25 below full scale, -150.5 dBFS."""


@pytest.fixture(scope="module")
def sounds(real_song):
    """What each stem's file holds, `(frames, channels)` in float64."""
    first, last = (second * RATE_HZ for second in EXCERPT_S)
    cut = {}
    for name, channel in PLAYERS.items():
        sound, _ = sf.read(real_song / f"stem{channel:02}.wav", start=first, stop=last)
        cut[name] = sound[round(LATE_S.get(name, 0) * RATE_HZ) :, : 1 if name in MONO else 2]
        assert dbfs(cut[name]) > -24, f"{name} must be heard in the excerpt"
    return cut


@pytest.fixture(scope="module")
def plain_mix(sounds):
    """The linear session worked out by the second implementation."""
    session = linear_session()
    heard = [stem for stem in session["stems"] if stem.get("heard", True)]
    files = {f"{name}.wav": sound for name, sound in sounds.items()}
    chains = {f"{name}.json": stages for name, stages in LINEAR_CHAINS.items()}
    return PlainMix({**session, "stems": heard}, chains, files, RATE_HZ).mix


def dbfs(sound):
    return 20 * np.log10(max(np.abs(sound).max(), 1e-20))


@pytest.mark.parametrize(
    "chains", [LINEAR_CHAINS, made_late(LINEAR_CHAINS)], ids=["no_latency", "much_latency"]
)
def test_linear_mix_equals_a_second_implementation(chains, sounds, plain_mix, tmp_path):
    song = busproc.load_session(write_song(tmp_path, sounds, chains, linear_session()))
    plan = plan_graph(song, {})
    mix = np.concatenate([block[:, 0] for block in stream(plan, start_graph(plan), 5000)])
    assert (plan.latency_frames > 0) == (chains is not LINEAR_CHAINS)
    assert dbfs(plain_mix) > -12, "a faint mix would make any residue small"
    residue_dbfs = dbfs(mix - plain_mix)
    assert residue_dbfs < FLOAT64_RESIDUE_DBFS


def test_written_linear_mix_equals_a_second_implementation(sounds, plain_mix, tmp_path):
    session = write_song(tmp_path, sounds, made_late(LINEAR_CHAINS), linear_session())
    (file,) = busproc.render(session, tmp_path / "out").files
    written, rate_hz = sf.read(file)
    assert rate_hz == RATE_HZ
    residue_dbfs = dbfs(written - plain_mix)
    assert residue_dbfs < FLOAT32_RESIDUE_DBFS


@pytest.fixture(scope="module")
def full_song(sounds, tmp_path_factory):
    """The session file with everything in it."""
    return write_song(tmp_path_factory.mktemp("full"), sounds, full_chains(), full_session())


@pytest.fixture(scope="module")
def whole(full_song):
    """Its render."""
    return busproc.render(full_song, full_song.parent / "whole")


def contents(rendered):
    return {path.name: path.read_bytes() for path in (*rendered.files, rendered.log, rendered.words)}


def test_every_stage_of_the_full_session_is_at_work(whole):
    decisions = [decision for place in whole.decisions["places"] for decision in place["decisions"]]
    for decision in list(decisions):
        decisions += [inner for branch in decision.get("branches", ()) for inner in branch["decisions"]]
    tags = {decision["stage"] for decision in decisions}
    assert tags == {"eq", "gain", "width", "compressor", "saturator", "parallel", "limiter"}
    assert [each["place"] for each in decisions if each["verdict"] not in {"worked", "slight"}] == []


@pytest.mark.parametrize("block_frames", [4096, 1000])
def test_full_session_renders_to_the_same_bytes_again(block_frames, whole, full_song, tmp_path):
    again = busproc.render(full_song, tmp_path, block_frames=block_frames)
    assert contents(again) == contents(whole)


def test_stages_that_only_come_late_alter_no_bit_of_the_mix(whole, sounds, tmp_path):
    late = busproc.render(write_song(tmp_path, sounds, made_late(full_chains()), full_session()), tmp_path)
    for late_file, file in zip(late.files, whole.files, strict=True):
        assert late_file.read_bytes() == file.read_bytes(), file.name


@pytest.mark.parametrize(("from_s", "to_s"), [(3.3333, 7.87654321), (6.6, None)])
def test_passage_equals_that_part_of_the_whole(from_s, to_s, whole, full_song, tmp_path):
    passage = busproc.render(full_song, tmp_path, from_s=from_s, to_s=to_s)
    for part_file, whole_file in zip(passage.files, whole.files, strict=True):
        dtype = "float32" if "32f" in whole_file.name else "int32"
        everything, rate_hz = sf.read(whole_file, dtype=dtype)
        last = len(everything) if to_s is None else round(to_s * rate_hz)
        expected = everything[round(from_s * rate_hz) : last]
        assert len(np.unique(expected)) > 1000, "silence would prove nothing"
        np.testing.assert_array_equal(sf.read(part_file, dtype=dtype)[0], expected, whole_file.name)
