"""A delivery: stems add up to the mix to the last bit, whatever the bundles, and the mix never changes."""

from __future__ import annotations

import json

import numpy as np
import pytest
import soundfile as sf
from wavinfo import WavInfoReader

import busproc
from busproc.delivery.printing import print_session
from busproc.errors import InputError, RenderError
from busproc.files import open_writer
from busproc.files.bext import Broadcast
from tests.songs import noise, write_session

BUS = [
    {"stage": "eq", "bands": [{"shape": "bell", "freq_hz": 300, "gain_db": -3}]},
    {"stage": "compressor", "threshold_dbfs": -24, "ratio": 4, "attack_ms": 1},
    {"stage": "saturator", "drive_db": 9, "oversampling": 8},
    {"stage": "width", "width": 1.3, "mono_below_hz": 120},
    {"stage": "limiter", "ceiling_dbtp": -1},
]
FORMATS = [
    {"bits": 24},
    {"bits": 16},
    {"bits": 24, "dither": False, "rate_hz": 44100},
    {"bits": "32_float"},
]


def song(folder, **rest):
    """Five stems, one of which is silent at times, a group, a return fed by two, all stages at work."""
    stems = {name: noise(0.7, seed, peak=0.5) for seed, name in enumerate(["kick", "snare", "bass", "horn"])}
    stems["voice"] = np.concatenate([np.zeros((9000, 2)), noise(0.2, 9, peak=0.5), np.zeros((9000, 2))])
    stems["spare voice"] = noise(0.6, 11, peak=0.4)
    return write_session(
        folder,
        stems,
        {"bus": BUS, "room": [{"stage": "eq", "bands": [{"shape": "low_pass", "freq_hz": 4000}]}]},
        stem_keys={
            "kick": {"group": "drums"},
            "snare": {"group": "drums", "pan": 0.3},
            "spare voice": {"heard": False},
        },
        groups=[{"name": "drums"}],
        sends=[{"from": "drums", "to": "room", "level_db": -6}, {"from": "voice", "to": "room"}],
        returns=[{"name": "room", "chain": "room.json"}],
        mix_bus={"chain": "bus.json"},
        **rest,
    )


def numbers(file):
    """What stands in a file, read by somebody else: whole numbers, or floating point."""
    kind = sf.info(file).subtype
    if kind == "FLOAT":
        return sf.read(file, dtype="float64", always_2d=True)[0]
    bits = int(kind.removeprefix("PCM_"))
    return sf.read(file, dtype="int32", always_2d=True)[0].astype(np.int64) >> (32 - bits)


def sums(folder):
    """Each sum that the manifest promises: the mix, and its stems."""
    for each in json.loads((folder / "delivery.json").read_text())["adds_up"]:
        yield numbers(folder / each["mix"]), [numbers(folder / stem) for stem in each["stems"]]


@pytest.mark.parametrize("form", FORMATS)
@pytest.mark.parametrize("by", ["stem", "group", {"rhythm": ["drums", "bass"], "melody": ["horn", "voice"]}])
def test_stems_add_up_to_the_mix(tmp_path, form, by):
    session = song(tmp_path, deliver=[{"what": "mix"} | form, {"what": "stems", "by": by} | form])
    printed = print_session(session, tmp_path / "out")
    ((mix, stems),) = sums(printed.folder)
    assert len(stems) == {"stem": 5, "group": 4}.get(str(by), 2)
    assert np.abs(mix).max() > 0
    if form["bits"] == "32_float":
        assert np.abs(sum(stems) - mix).max() < 1e-7  # -140 dBFS
    else:
        np.testing.assert_array_equal(sum(stems), mix)


def test_the_mix_is_the_same_however_stems_are_bundled(tmp_path):
    stems = {"what": "stems"}
    orders = [
        [],
        [stems],
        [stems | {"by": "group"}],
        [stems | {"returns": "separate"}],
        [{"what": "versions"}],
    ]
    versions = [{"name": "no voice", "without": ["voice"]}]
    made = [
        print_session(
            song(tmp_path / str(n), deliver=[{}, *more], versions=versions if more else []),
            tmp_path / str(n) / "out",
        )
        for n, more in enumerate(orders)
    ]
    plain = busproc.render(tmp_path / "0" / "session.json", tmp_path / "render").files[0].read_bytes()
    assert {each.files[0].read_bytes() for each in made} == {plain}


VERSIONS = [
    {"name": "instrumental", "without": ["voice"]},
    {"name": "a cappella", "only": ["voice"]},
    {"name": "no drums", "without": ["drums"]},
    {"name": "voice up", "trim_db": {"voice": 1.5}},
    {"name": "clean", "without": ["voice"], "also": ["spare voice"]},
]


def named(printed, what="versions"):
    """Files of a delivery by their piece."""
    files = printed.manifest["files"]
    return {each["piece"]: printed.folder / each["file"] for each in files if each["what"] == what}


def exact_lanes(session):
    """Contributions of the stems to the mix in floating point, by name: what a version is made of."""
    from busproc.facts import find_facts
    from busproc.mixing import start_graph
    from busproc.routing import plan_graph
    from busproc.run import stream
    from busproc.song import load_session

    song = load_session(session)
    heard = [stem.name for stem in song.session.stems if song.buses[stem.name].target]
    lane_of = {name: n for n, name in enumerate(heard, 1)}
    plan = plan_graph(song, find_facts(song, 4096, lambda _: None), lane_of=lane_of)
    lanes = np.concatenate(list(stream(plan, start_graph(plan), 4096)))
    return {name: lanes[:, n] for name, n in lane_of.items()}


@pytest.mark.parametrize("form", FORMATS[:2])
def test_a_version_and_what_it_leaves_out_add_up_to_the_mix(tmp_path, form):
    versions = {"what": "versions", "versions": ["instrumental", "a cappella"]}
    session = song(tmp_path, deliver=[form, versions | form], versions=VERSIONS)
    files = named(print_session(session, tmp_path / "out"))
    mix = numbers(next((tmp_path / "out").glob("*mix*")))
    instrumental, voice = (numbers(files[name]) for name in ("instrumental", "a cappella"))
    np.testing.assert_array_equal(instrumental + voice, mix)
    assert not voice[:8000].any()  # the voice is silent there
    assert voice.any()


def test_versions_keep_the_decisions_of_the_mix(tmp_path):
    """Each is the sum of the contributions that it holds, trimmed, and nothing else."""
    deliver = [{"bits": "32_float"}, {"what": "versions", "bits": "32_float"}]
    session = song(tmp_path, deliver=deliver, versions=VERSIONS)
    printed = print_session(session, tmp_path / "out")
    gain = 10 ** (printed.manifest["files"][0]["trim_db"] / 20)
    lanes = exact_lanes(session)
    plain = lanes["kick"] + lanes["snare"] + lanes["bass"] + lanes["horn"]
    expected = {
        "instrumental": plain,
        "a cappella": lanes["voice"],
        "no drums": lanes["bass"] + lanes["horn"] + lanes["voice"],
        "voice up": plain + 10 ** (1.5 / 20) * lanes["voice"],
        "clean": plain + lanes["spare voice"],
    }
    files = named(printed)
    assert list(files) == list(expected)
    for name, sound in expected.items():
        np.testing.assert_allclose(numbers(files[name]), sound * gain, rtol=0, atol=2.0**-24)


def test_a_spare_stem_changes_nothing_but_its_version(tmp_path):
    plain = print_session(song(tmp_path / "a"), tmp_path / "a" / "out")
    deliver = [{"bits": "32_float"}, {"what": "versions", "bits": 24}]
    session = song(tmp_path / "b", deliver=deliver, versions=VERSIONS)
    assert print_session(session, tmp_path / "b" / "out").files[0].read_bytes() == plain.files[0].read_bytes()


def test_a_version_decided_by_itself_is_the_render_of_the_session_without_what_it_leaves_out(tmp_path):
    versions = [{"name": "no voice", "without": ["voice"], "decided_by": "itself"}]
    deliver = [{"bits": "32_float"}, {"what": "versions", "bits": "32_float"}]
    printed = print_session(song(tmp_path / "a", deliver=deliver, versions=versions), tmp_path / "a" / "out")
    other = song(tmp_path / "b")
    session = json.loads(other.read_text())
    next(stem for stem in session["stems"] if stem["name"] == "voice")["mute"] = True
    other.write_text(json.dumps(session))
    alone = busproc.render(other, tmp_path / "b" / "out").files[0]
    np.testing.assert_array_equal(numbers(named(printed)["no voice"]), numbers(alone))


def test_two_ways_of_deciding_are_compared_where_asked(tmp_path):
    versions = [{"name": "no drums", "without": ["drums"], "compare": True}]
    versions.append({"name": "no drums again", "without": ["drums"], "decided_by": "itself"})
    deliver = [{"bits": "32_float"}, {"what": "versions", "bits": "32_float"}]
    printed = print_session(song(tmp_path, deliver=deliver, versions=versions), tmp_path / "out")
    kept, alone = (numbers(named(printed)[name]) for name in ("no drums", "no drums again"))
    gain = 10 ** (printed.manifest["files"][0]["trim_db"] / 20)
    (found,) = printed.decisions["compared"]
    rms_dbfs = 20 * np.log10(np.sqrt(2 * np.mean((kept - alone) ** 2)) / gain)
    assert found["difference_dbfs"] == pytest.approx(rms_dbfs, abs=0.02)
    reductions = {each["stage"]: each for each in found["reductions"]}
    mix_bus = {each["stage"]: each for each in printed.decisions["places"][-1]["decisions"]}
    assert set(reductions) == {"compressor", "limiter"}
    mix_db = mix_bus["compressor"]["did"]["percentile_95_db"]
    assert reductions["compressor"]["mix_percentile_95_db"] == mix_db
    assert reductions["compressor"]["itself_percentile_95_db"] < mix_db
    words = next((tmp_path / "out").glob("*.txt")).read_text()
    assert "no drums (written: by mix): the two differ by " in words


LOUDER = {"name": "louder", "trim_db": {"kick": 12.0}}


@pytest.mark.parametrize("if_over", ["trim", None])
def test_a_version_over_the_ceiling_is_turned_down_with_its_set_or_limited_again(tmp_path, if_over):
    deliver = [{}, {"what": "versions"}]
    session = song(tmp_path, deliver=deliver, versions=[LOUDER | ({"if_over": if_over} if if_over else {})])
    printed = print_session(session, tmp_path / "out")
    mix, louder = printed.manifest["files"]
    assert louder["measured"]["true_peak_dbtp"] == pytest.approx(-1.0, abs=0.2)
    if if_over == "trim":
        assert mix["trim_db"] == louder["trim_db"] < -0.5
        assert "in version 'louder'" in mix["trim_why"]
    else:
        plain = print_session(song(tmp_path / "plain", deliver=[{}]), tmp_path / "plain" / "out")
        assert mix["sha256"] == plain.manifest["files"][0]["sha256"]


def test_a_version_over_the_ceiling_is_refused_where_asked(tmp_path):
    deliver = [{}, {"what": "versions"}]
    session = song(tmp_path, deliver=deliver, versions=[LOUDER | {"if_over": "refuse"}])
    with pytest.raises(RenderError, match=r"version 'louder' peaks at .* over the ceiling of -1 dBTP"):
        print_session(session, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def opposed(folder, **form):
    """Two stems that cancel in the mix and are over full scale apart."""
    sound = noise(0.3, 1, peak=1.4)
    return write_session(
        folder,
        {"a": sound, "b": 0.9 * sound},
        stem_keys={"b": {"polarity": "inverted"}},
        deliver=[form, {"what": "stems"} | form],
    )


def test_a_stem_over_full_scale_is_refused_and_nothing_is_written(tmp_path):
    with pytest.raises(RenderError, match=r"'a' peaks at \+2\.\d\d dBFS, over full scale"):
        print_session(opposed(tmp_path), tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_stem_over_full_scale_turns_its_whole_set_down_where_asked(tmp_path):
    printed = print_session(opposed(tmp_path, if_over="trim"), tmp_path / "out")
    ((mix, stems),) = sums(printed.folder)
    np.testing.assert_array_equal(sum(stems), mix)
    assert len({each["trim_db"] for each in printed.manifest["files"]}) == 1
    assert "because 'a' passed full scale" in printed.manifest["files"][0]["trim_why"]
    assert np.abs(stems[0]).max() < 2**23


def test_a_stem_over_full_scale_is_kept_in_floating_point(tmp_path):
    printed = print_session(opposed(tmp_path, bits="32_float"), tmp_path / "out")
    ((_, stems),) = sums(printed.folder)
    assert np.abs(stems[0]).max() > 1
    assert {each["trim_db"] for each in printed.manifest["files"]} == {0.0}


@pytest.mark.parametrize("dither", [True, False])
def test_each_stem_is_its_own_value_to_a_step(tmp_path, dither):
    form = {"bits": 16, "dither": dither}
    session = song(tmp_path, deliver=[form, {"what": "stems"} | form])
    printed = print_session(session, tmp_path / "out")
    gain = 10 ** (printed.manifest["files"][0]["trim_db"] / 20)
    lanes, files = exact_lanes(session), named(printed, "stems")
    off = {name: np.abs(numbers(file) - lanes[name] * gain * 2**15).max() for name, file in files.items()}
    assert max(off.values()) < (1 + 1 / (2 * len(files)) if dither else 1)


def test_digital_silence_stays_digital_silence(tmp_path):
    form = {"bits": 16}
    session = song(tmp_path, deliver=[form, {"what": "stems"} | form])
    voice = numbers(named(print_session(session, tmp_path / "out"), "stems")["voice"])
    assert not voice[:8000].any()


def test_a_changed_input_is_told_and_nothing_is_written(tmp_path):
    session = song(tmp_path, deliver=[{}])

    def change(what, done):
        if what == "rendering":
            with (tmp_path / "horn.wav").open("r+b") as file:
                file.seek(5000)
                file.write(b"\x01")

    with pytest.raises(RenderError, match="the files of horn changed while they were read"):
        print_session(session, tmp_path / "out", progress=change)
    assert not (tmp_path / "out").exists()


def test_two_runs_give_the_same_bytes_whatever_the_blocks(tmp_path):
    deliver = [{}, {"what": "stems"}, {"what": "versions"}]
    session = song(tmp_path, deliver=deliver, versions=VERSIONS)
    one = print_session(session, tmp_path / "one")
    two = print_session(session, tmp_path / "two", block_frames=1000)
    assert [file.read_bytes() for file in one.files] == [file.read_bytes() for file in two.files]
    names = [file.relative_to(one.folder).as_posix() for file in one.files]
    assert "stems/Test_Song_05_voice_48k24.wav" in names
    assert "versions/Test_Song_a_cappella_48k24.wav" in names
    assert names[-1] == "delivery.json"


def test_files_are_named_by_the_pattern_of_their_delivery(tmp_path):
    deliver = [
        {"names": "{piece} of {song}"},
        {"what": "stems", "by": "group", "names": "{number} {piece} {bits}"},
    ]
    printed = print_session(song(tmp_path, deliver=deliver), tmp_path / "out")
    names = [each["file"] for each in printed.manifest["files"]]
    assert names[:3] == ["mix_of_Test_Song.wav", "groups/01_drums_24.wav", "groups/02_bass_24.wav"]


@pytest.mark.parametrize("tail_s", [0.0, 0.25])
def test_every_file_goes_on_as_long_as_asked(tmp_path, tail_s):
    deliver = [{}, {"what": "stems"}, {"rate_hz": 44100, "bits": 16}]
    printed = print_session(song(tmp_path, deliver=deliver, tail_s=tail_s), tmp_path / "out")
    frames = {(each["rate_hz"], each["frames"]) for each in printed.manifest["files"]}
    assert frames == {(48000, round((0.7 + tail_s) * 48000)), (44100, round((0.7 + tail_s) * 44100))}


def test_stems_may_be_bent_each_on_its_own_and_add_up_with_the_residual(tmp_path):
    """A loud low tone leaves no trace in the print of a soft high one, as it does where the bus decides."""
    seconds = np.arange(24000) / 48000
    low = 0.7 * np.sin(2 * np.pi * 100 * seconds)[:, None].repeat(2, axis=1)
    high = 0.1 * np.sin(2 * np.pi * 1000 * seconds)[:, None].repeat(2, axis=1)
    form = {"bits": 24, "if_over": "trim"}
    session = write_session(
        tmp_path,
        {"low": low, "high": high},
        {"bus": [{"stage": "saturator", "drive_db": 6}]},
        mix_bus={"chain": "bus.json"},
        deliver=[form, {"what": "stems"} | form, {"what": "stems", "residual": True} | form],
    )
    printed = print_session(session, tmp_path / "out")
    for mix, stems in sums(printed.folder):
        np.testing.assert_array_equal(sum(stems), mix)
    beside_db = {}
    for folder in ("stems", "stems_with_residual"):
        line = np.abs(
            np.fft.rfft(numbers(printed.folder / folder / "Test_Song_02_high_48k24.wav")[4800:14400, 0])
        )
        beside_db[folder] = 20 * np.log10(line[160] / line[200])  # 800 Hz against 1 kHz
    assert beside_db["stems"] > -30
    assert beside_db["stems_with_residual"] < -90
    assert (printed.folder / "stems_with_residual" / "Test_Song_03_residual_48k24.wav").exists()


TAGS = {
    "artist": "The Quay Nine",
    "album": "Lantern Hours",
    "track_number": 3,
    "date": "2026-01-31",
    "isrc": "XXA1B2600001",
    "copyright": "2026 The Quay Nine",
}


def test_files_say_what_they_are_and_how_loud(tmp_path):
    """Read by wavinfo and libsndfile."""
    deliver = [{}, {"what": "stems", "container": "flac"}, {"bits": 16, "rate_hz": 44100}]
    printed = print_session(song(tmp_path, deliver=deliver, tags=TAGS), tmp_path / "out")
    first, *_, last = printed.manifest["files"]
    for each, rate_hz, bits in ((first, 48000, 24), (last, 44100, 16)):
        bext = WavInfoReader(str(printed.folder / each["file"])).bext
        assert bext.description == "Test Song, mix"
        assert bext.originator_ref == TAGS["isrc"]
        assert bext.originator_date == TAGS["date"]
        assert bext.coding_history.startswith(f"A=PCM,F={rate_hz},W={bits},M=stereo,T=busproc ")
        assert bext.coding_history.endswith("; triangular dither\r\n")
        assert bext.loudness_value == pytest.approx(each["measured"]["integrated_lufs"])
        assert bext.max_true_peak == pytest.approx(each["measured"]["true_peak_dbtp"])
        assert bext.max_shortterm_loudness == pytest.approx(0x7FFF / 100)  # shorter than 3 s
    with sf.SoundFile(named(printed, "stems")["horn"]) as file:
        assert file.title == "Test Song (stem horn)"
        assert file.artist == TAGS["artist"]
        assert file.tracknumber == "3"
    assert b"ISRC=XXA1B2600001" in named(printed, "stems")["horn"].read_bytes()
    ((mix, stems),) = sums(printed.folder)
    np.testing.assert_array_equal(sum(stems), mix)


def test_a_file_starts_where_its_stems_do_on_the_clock(tmp_path):
    session = song(tmp_path, deliver=[{}, {"bits": 16, "rate_hz": 96000}])
    for name in ("kick", "snare", "bass", "horn", "voice"):
        sound, _ = sf.read(tmp_path / f"{name}.wav")
        placed = Broadcast(time_reference_frames=3600 * 48000 + (4800 if name == "horn" else 0))
        with open_writer(tmp_path / f"{name}.wav", "wav", "32_float", 48000, 2, len(sound), placed) as writer:
            writer.write(sound)
    printed = print_session(session, tmp_path / "out")
    for each, rate_hz in zip(printed.manifest["files"], (48000, 96000), strict=True):
        bext = WavInfoReader(str(printed.folder / each["file"])).bext
        assert bext.time_reference == 3600 * rate_hz
        assert each["frames"] == round((0.7 + 0.1) * rate_hz)


@pytest.mark.parametrize(
    "version", [{"without": ["voice"], "also": ["spare voice"]}, {"also": ["spare voice"]}]
)
def test_a_spare_stem_that_goes_with_others_in_every_version_stays_out_of_the_mix(tmp_path, version):
    versions = [{"name": "clean"} | version]
    printed = print_session(
        song(tmp_path, deliver=[{}, {"what": "versions"}], versions=versions), tmp_path / "a"
    )
    plain = print_session(song(tmp_path / "plain", deliver=[{}]), tmp_path / "b")
    assert printed.files[0].read_bytes() == plain.files[0].read_bytes()
    places = [place["place"] for place in printed.decisions["places"]]
    assert "stems.voice" in places
    assert "stems.spare voice" not in places


def test_a_spare_stem_keeps_its_group_when_no_version_asks_for_it(tmp_path):
    session = song(tmp_path)
    document = json.loads(session.read_text())
    document["stems"][-1]["group"] = "drums"
    session.write_text(json.dumps(document))
    plain = print_session(song(tmp_path / "plain"), tmp_path / "b")
    assert print_session(session, tmp_path / "a").files[0].read_bytes() == plain.files[0].read_bytes()


@pytest.mark.parametrize("write", [print_session, busproc.render])
def test_what_the_song_is_made_of_is_never_written_over(tmp_path, write):
    session = song(tmp_path, deliver=[{"names": "horn"}])
    before = {file: file.read_bytes() for file in tmp_path.iterdir()}
    with pytest.raises(InputError, match=r"horn.wav is one of the song's own files"):
        write(session, tmp_path, overwrite=True)
    (tmp_path / "link").symlink_to(tmp_path)
    with pytest.raises(InputError, match="is one of the song's own files"):
        write(session, tmp_path / "link", overwrite=True)
    assert {file: file.read_bytes() for file in before} == before


def test_a_delivery_in_place_of_another_leaves_nothing_of_it_but_what_the_user_changed(tmp_path):
    stems = {"what": "stems"}
    print_session(song(tmp_path, deliver=[{}, stems, {"bits": 16}]), tmp_path / "out")
    (tmp_path / "out" / "mine.txt").write_text("mine")
    changed = tmp_path / "out" / "stems" / "Test_Song_01_kick_48k24.wav"
    changed.write_bytes(b"mine too")
    printed = print_session(song(tmp_path, deliver=[{"bits": 16}]), tmp_path / "out", overwrite=True)
    left = {file for file in printed.folder.rglob("*") if file.is_file()}
    assert left == {*printed.files, tmp_path / "out" / "mine.txt", changed}


def test_numbers_of_stems_sort_by_name(tmp_path):
    names = [f"s{n}" for n in range(101)]
    session = write_session(
        tmp_path, dict.fromkeys(names, np.full((48, 2), 0.001)), deliver=[{}, {"what": "stems"}]
    )
    files = [each["file"] for each in print_session(session, tmp_path / "out").manifest["files"][1:]]
    assert files == sorted(files)
    assert files[0] == "stems/Test_Song_001_s0_48k24.wav"


@pytest.mark.parametrize("decided_by", ["mix", "itself"])
def test_a_version_may_have_the_name_of_a_stem(tmp_path, decided_by):
    """A voice alone, louder than in the mix: two files of one name, each with its own sound."""
    louder = {"name": "voice", "only": ["voice"], "trim_db": {"voice": 3.0}, "decided_by": decided_by}
    deliver = [{}, {"what": "stems"}, {"what": "versions"}]
    printed = print_session(song(tmp_path, deliver=deliver, versions=[louder]), tmp_path / "out")
    ((mix, stems),) = sums(printed.folder)
    np.testing.assert_array_equal(sum(stems), mix)
    stem, version = (numbers(named(printed, what)["voice"]) for what in ("stems", "versions"))
    assert np.std(version) > 1.2 * np.std(stem)


def test_a_version_of_another_set_does_not_turn_this_one_down(tmp_path):
    """Decided by itself and over full scale, but asked for in floating point only."""
    session = write_session(
        tmp_path,
        {"a": noise(0.2, 1, peak=0.9)},
        versions=[{"name": "hot", "trim_db": {"a": 12.0}, "decided_by": "itself"}],
        deliver=[{"bits": 16}, {"what": "versions", "bits": "32_float"}],
    )
    mix, hot = print_session(session, tmp_path / "out").manifest["files"]
    assert mix["trim_db"] == hot["trim_db"] == 0.0
    assert hot["measured"]["sample_peak_dbfs"] > 6


def test_stems_of_an_earlier_delivery_that_the_song_is_now_made_of_stay(tmp_path):
    first = print_session(song(tmp_path, deliver=[{}, {"what": "stems"}]), tmp_path / "out")
    stems = named(first, "stems")
    document = {
        "format": "busproc-session/1",
        "song": "Again",
        "stems": [
            {"name": name, "file": file.relative_to(first.folder).as_posix()} for name, file in stems.items()
        ],
    }
    (first.folder / "again.json").write_text(json.dumps(document))
    manifest_of_first = first.folder / "delivery.json"
    assert manifest_of_first.exists()
    print_session(first.folder / "again.json", first.folder, overwrite=True)
    assert all(file.exists() for file in stems.values())
    assert not (first.folder / "Test_Song_mix_48k24.wav").exists()


def test_a_version_that_was_limited_again_says_so(tmp_path):
    versions = [LOUDER, {"name": "softer", "trim_db": {"kick": -12.0}}]
    session = song(tmp_path, deliver=[{}, {"what": "versions"}], versions=versions)
    printed = print_session(session, tmp_path / "out")
    told = {each["piece"]: each.get("limited_again", False) for each in printed.manifest["files"]}
    assert told == {"mix": False, "louder": True, "softer": False}
    words = next((tmp_path / "out").glob("*.txt")).read_text().splitlines()
    assert [line.split(":")[0] for line in words if "limited again to hold the ceiling" in line] == [
        "versions/Test_Song_louder_48k24.wav"
    ]
