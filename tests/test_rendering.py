"""A render: whole files or none, the same bytes every time, ceilings held, everything logged."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
import soundfile as sf

import busproc
from busproc import decisions
from tests.songs import RATE_HZ, noise, write_session

BUS = [
    {"stage": "compressor", "threshold_dbfs": -30, "ratio": 3},
    {"stage": "saturator", "drive_db": 12},
    {"stage": "limiter", "ceiling_dbtp": -3},
]


def loud_session(folder, **rest):
    stems = {"a": noise(0.6, 1, peak=0.9), "b": noise(0.4, 2, channels=1, peak=0.9)}
    return write_session(folder, stems, {"bus": BUS}, mix_bus={"chain": "bus.json"}, **rest)


def read(file):
    return sf.read(file, dtype="int32" if "32f" not in file.name else "float64", always_2d=True)[0]


def bytes_of(rendered):
    return [file.read_bytes() for file in (*rendered.files, rendered.log, rendered.words)]


def test_a_second_run_gives_the_same_bytes(tmp_path):
    session = loud_session(
        tmp_path, deliver=[{"bits": 24}, {"bits": "32_float"}, {"container": "flac", "bits": 16}]
    )
    first = busproc.render(session, tmp_path / "one")
    second = busproc.render(session, tmp_path / "two", block_frames=1000)
    assert len(first.files) == 3
    assert bytes_of(first) == bytes_of(second)


@pytest.mark.parametrize("bits", [16, 24, "32_float"])
@pytest.mark.parametrize("rate_hz", [None, 44100])
def test_a_passage_equals_that_part_of_the_whole(tmp_path, bits, rate_hz):
    session = loud_session(tmp_path, deliver=[{"bits": bits, "rate_hz": rate_hz}])
    whole = read(busproc.render(session, tmp_path / "whole").files[0])
    done = busproc.render(session, tmp_path / "part", from_s=0.11, to_s=0.37)
    rate = rate_hz or RATE_HZ
    np.testing.assert_array_equal(read(done.files[0]), whole[round(0.11 * rate) : round(0.37 * rate)])
    assert done.decisions["passage"] == {"from_s": 0.11, "to_s": 0.37}


@pytest.mark.parametrize(("first", "last"), [(-1, 1), (0.3, 0.2), (5, 6), (float("nan"), 1)])
def test_no_passage_is_refused(tmp_path, first, last):
    with pytest.raises(busproc.InputError, match="no passage from"):
        busproc.render(loud_session(tmp_path), tmp_path / "out", from_s=first, to_s=last)


def test_existing_files_are_kept_unless_overwriting_is_asked_for(tmp_path):
    session = loud_session(tmp_path)
    done = busproc.render(session, tmp_path / "out")
    done.log.write_text("mine")
    with pytest.raises(busproc.InputError, match="overwrite"):
        busproc.render(session, tmp_path / "out")
    assert done.log.read_text() == "mine"
    busproc.render(session, tmp_path / "out", overwrite=True)
    assert json.loads(done.log.read_text())["song"] == "Test Song"


def test_a_killed_render_leaves_nothing_under_a_final_name(tmp_path):
    session = write_session(tmp_path, {"a": noise(60, 1)}, {"bus": BUS}, mix_bus={"chain": "bus.json"})
    out = tmp_path / "out"
    command = [sys.executable, "-m", "busproc", "render", str(session), "--out", str(out)]
    child = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
    assert child.stderr is not None
    for line in child.stderr:
        if line.startswith("rendering"):
            break
    time.sleep(0.3)
    os.kill(child.pid, signal.SIGKILL)
    child.wait()
    child.stderr.close()
    assert child.returncode == -signal.SIGKILL
    assert [file.name for file in out.iterdir() if not file.name.startswith(".")] == []


def test_the_ceiling_holds_on_every_file_written(tmp_path):
    deliver = [{"bits": 24}, {"bits": 24, "rate_hz": 44100}, {"bits": 16, "rate_hz": 96000}]
    session = loud_session(tmp_path, deliver=deliver)
    done = busproc.render(session, tmp_path / "out")
    for record in done.decisions["deliveries"]:
        assert record["measured"]["true_peak_dbtp"] <= -2.99
        assert record["ceiling_dbtp"] == -3
        assert record["trim_db"] <= 0


def test_a_mix_over_full_scale_is_refused_and_nothing_is_written(tmp_path):
    stems = {"a": noise(0.2, 1, peak=0.9), "b": noise(0.2, 1, peak=0.9)}
    session = write_session(tmp_path, stems, deliver=[{"bits": 24}])
    with pytest.raises(busproc.RenderError, match=r"peaks at \+\d.*over full scale.*if_over"):
        busproc.render(session, tmp_path / "out")
    assert list((tmp_path / "out").iterdir()) == []


def test_a_mix_over_full_scale_is_turned_down_by_one_gain_where_asked(tmp_path):
    stems = {"a": noise(0.2, 1, peak=0.9), "b": noise(0.2, 1, peak=0.9)}
    deliver = [{"bits": 24, "if_over": "trim", "dither": False}, {"bits": "32_float"}]
    done = busproc.render(write_session(tmp_path, stems, deliver=deliver), tmp_path / "out")
    turned, untouched = (sf.read(file)[0] for file in done.files)
    trim_db = done.decisions["deliveries"][0]["trim_db"]
    assert np.abs(untouched).max() > 1
    np.testing.assert_allclose(turned, untouched * 10 ** (trim_db / 20), atol=2.0**-23)
    assert -0.6 < done.decisions["deliveries"][0]["measured"]["true_peak_dbtp"] <= -0.1


def test_dither_can_be_left_off_and_silence_stays_digital_silence(tmp_path):
    stems = {"a": np.concatenate([noise(0.1, 1), np.zeros((4800, 2)), noise(0.1, 2)])}
    session = write_session(tmp_path, stems, deliver=[{"bits": 16}])
    dithered = read(busproc.render(session, tmp_path / "a").files[0]) >> 16
    session = write_session(tmp_path, stems, deliver=[{"bits": 16, "dither": False}])
    plain = read(busproc.render(session, tmp_path / "b").files[0]) >> 16
    exact = stems["a"].astype(np.float32).astype(float) * 2**15
    assert np.abs(plain - exact).max() <= 0.5
    assert 0.5 < np.abs(dithered - exact).max() <= 1.5
    assert not dithered[4800:9600].any()


def test_padding_conversion_and_placing_are_told(tmp_path):
    stems = {"long": noise(0.5, 1), "short": noise(0.2, 2), "other": noise(0.3, 3, rate_hz=44100)}
    session = write_session(
        tmp_path, stems, rates={"other": 44100}, rate_hz=48000, stem_keys={"short": {"start_s": 0.1}}
    )
    notes = busproc.render(session, tmp_path / "out").decisions["notes"]
    assert "other: converted from 44100 to 48000 Hz." in notes
    assert "short: starts at 0.100 s, as asked." in notes
    assert "short: padded with 0.200 s of silence to the length of the song." in notes


def test_a_time_reference_places_a_stem(tmp_path):
    """Broadcast Wave (EBU Tech 3285): the earliest reference is the song's start."""
    stems = {"first": noise(0.2, 1), "second": noise(0.2, 2)}
    session = write_session(tmp_path, stems)
    for name, frames in (("first", 48000), ("second", 48000 + 4800)):
        add_time_reference(tmp_path / f"{name}.wav", frames)
    mix = read(busproc.render(session, tmp_path / "out").files[0])
    np.testing.assert_array_equal(mix[:4800], stems["first"][:4800].astype(np.float32))
    np.testing.assert_array_equal(mix[9600:], stems["second"][4800:].astype(np.float32))


def add_time_reference(file, frames):
    """Append a bext chunk by hand: EBU Tech 3285 v2, time reference at byte 338."""
    bext = bytearray(602)
    bext[338:346] = frames.to_bytes(8, "little")
    data = file.read_bytes() + b"bext" + len(bext).to_bytes(4, "little") + bext
    file.write_bytes(data[:4] + (len(data) - 8).to_bytes(4, "little") + data[8:])


def test_a_stage_whose_condition_does_not_hold_is_left_out(tmp_path):
    """The limiter would add latency and log an event; unwanted, it is not even planned."""
    for above, verdict in ((-60, "worked"), (-19, "not needed")):
        limiter = {
            "stage": "limiter",
            "ceiling_dbtp": -24,
            "when": {"measure": "sample_peak_dbfs", "above": above},
        }
        stages = [{"stage": "gain", "gain_db": -6}, limiter]
        session = write_session(
            tmp_path, {"a": noise(0.5, 1)}, {"bus": stages}, mix_bus={"chain": "bus.json"}
        )
        document = busproc.render(session, tmp_path / "out", overwrite=True).decisions
        record = document["places"][-1]["decisions"][1]
        assert record["verdict"] == verdict
        measured = document["measured_before"]["mix_bus.stages[1]"]["sample_peak_dbfs"]
        assert measured == pytest.approx(20 * np.log10(0.2) - 6, abs=0.1)


def test_conditions_are_judged_behind_the_stages_that_run(tmp_path):
    """Two conditional gains in a row and one in a branch: each measures what the ones before it leave."""

    def up(above):
        return {"stage": "gain", "gain_db": -20, "when": {"measure": "sample_peak_dbfs", "above": above}}

    stages = [
        up(-20),
        up(-20),
        {"stage": "parallel", "dry_db": None, "branches": [{"level_db": 0, "stages": [up(-40)]}]},
    ]
    session = write_session(tmp_path, {"a": noise(0.5, 1)}, {"bus": stages}, mix_bus={"chain": "bus.json"})
    document = busproc.render(session, tmp_path / "out").decisions
    first, second, third = document["places"][-1]["decisions"]
    assert (first["verdict"], second["verdict"]) == ("worked", "not needed")
    assert third["branches"][0]["decisions"][0]["verdict"] == "worked"
    assert list(document["measured_before"]) == [
        "mix_bus.stages[0]",
        "mix_bus.stages[1]",
        "mix_bus.stages[2].branches[0].stages[0]",
    ]


def test_the_log_names_inputs_and_treatment(tmp_path):
    session = loud_session(tmp_path)
    one = busproc.render(session, tmp_path / "one").decisions
    assert [len(item["sha256"]) for item in one["inputs"]] == [64, 64]
    changed = loud_session(tmp_path, stem_keys={"a": {"gain_db": -0.5}})
    two = busproc.render(changed, tmp_path / "two").decisions
    assert one["treatment_sha256"] != two["treatment_sha256"]
    assert one["inputs"] == two["inputs"]


def test_the_words_tell_what_the_json_holds(tmp_path):
    done = busproc.render(loud_session(tmp_path), tmp_path / "out")
    words = done.words.read_text()
    assert words == decisions.in_words(decisions.load(done.log))
    for record in done.decisions["places"][-1]["decisions"]:
        assert record["why"] in words
    assert "Left alone: no chain" in words


def test_a_bad_number_in_a_stem_is_told_with_file_and_time(tmp_path):
    sound = noise(0.5, 1)
    session = write_session(tmp_path, {"a": sound})
    sound[12000, 1] = np.nan
    sf.write(tmp_path / "a.wav", sound, RATE_HZ, subtype="FLOAT")
    with pytest.raises(busproc.AudioFileError, match=r"a\.wav.*0\.250 s"):
        busproc.render(session, tmp_path / "out")
    assert list((tmp_path / "out").iterdir()) == []


def test_denormals_do_not_slow_a_render_down(tmp_path):
    """Work is counted, not time: a filter fed with them ends at exact zero, where no denormal is left."""
    sound = np.concatenate([noise(0.1, 1), np.zeros((RATE_HZ, 2))])
    eq = [{"stage": "eq", "bands": [{"shape": "bell", "freq_hz": 5000, "gain_db": 6, "q": 0.5}]}]
    session = write_session(tmp_path, {"a": sound}, {"bus": eq}, mix_bus={"chain": "bus.json"})
    mix = read(busproc.render(session, tmp_path / "out").files[0])
    assert not mix[-RATE_HZ // 2 :].any()


def test_the_treatment_is_the_same_whatever_its_files_and_words_are_called(tmp_path):
    """A digest names what is done to the sound; a chain file's name and its purpose are no part of that."""
    digests = []
    for name, words in (("bus", {}), ("master", {"title": "Mix bus", "listen_for": "Nothing."})):
        folder = tmp_path / name
        session = write_session(folder, {"a": noise(0.1, 1)}, {name: BUS}, mix_bus={"chain": f"{name}.json"})
        chain = json.loads((folder / f"{name}.json").read_text())
        (folder / f"{name}.json").write_text(json.dumps(chain | words))
        digests.append(busproc.render(session, folder / "out").decisions["treatment_sha256"])
    assert digests[0] == digests[1]


def test_a_session_without_a_mix_has_nothing_to_render(tmp_path):
    versions = {"versions": [{"name": "soft", "trim_db": {"a": -3.0}}], "deliver": [{"what": "versions"}]}
    session = write_session(tmp_path, {"a": noise(0.1, 1)}, **versions)
    with pytest.raises(busproc.InputError, match="delivers no mix"):
        busproc.render(session, tmp_path / "out")
    assert not (tmp_path / "out").exists()
