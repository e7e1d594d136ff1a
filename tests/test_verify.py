"""A check of a delivery: what was done to a file, and the line that tells it."""

from __future__ import annotations

import hashlib
import json
import shutil

import numpy as np
import pytest
import soundfile as sf
from click.testing import CliRunner

from busproc.cli import main
from busproc.delivery.printing import print_session
from busproc.delivery.verify import verify
from busproc.delivery.writing import read_back
from busproc.errors import SettingsFileError
from tests.songs import noise, write_session
from tests.test_printing import VERSIONS, song

MIX, GROUP_MIX = "Test_Song_mix_48k24.wav", "Test_Song_mix_48k16.flac"
KICK, SNARE = (f"stems/Test_Song_0{n}_{name}_48k24.wav" for n, name in ((1, "kick"), (2, "snare")))
DRUMS = "groups/Test_Song_01_drums_48k16.flac"
INSTRUMENTAL = "versions/Test_Song_instrumental_48k24.wav"
LOG = "Test_Song.decisions.json"
OTHER_SHA = "has another SHA-256"
PCM_24_FRAME_BYTES = 6


@pytest.fixture(scope="module")
def delivered(tmp_path_factory):
    """Stems in 24 bits, groups as 16-bit FLAC, each with its mix, and a version."""
    flac = {"bits": 16, "container": "flac"}
    deliver = [
        *({"what": "mix"}, {"what": "stems"}, {"what": "versions", "versions": ["instrumental"]}),
        *({"what": "mix"} | flac, {"what": "stems", "by": "group"} | flac),
    ]
    folder = tmp_path_factory.mktemp("song")
    print_session(song(folder, deliver=deliver, versions=VERSIONS), folder / "out")
    return folder / "out"


@pytest.fixture
def folder(delivered, tmp_path):
    """A copy to be damaged."""
    return shutil.copytree(delivered, tmp_path / "delivery")


def told(folder):
    """Every fault, as pairs of file and words."""
    return [(fault.file, fault.what) for fault in verify(folder).faults]


def edit(folder, change, file="delivery.json"):
    document = json.loads((folder / file).read_text())
    change(document)
    (folder / file).write_text(json.dumps(document))


def listed(document, name):
    """The record of a file in a manifest, or in a decision log."""
    return next(each for each in document.get("files", document.get("deliveries")) if each["file"] == name)


def sha256(path):
    return hashlib.sha256(path.read_bytes()).hexdigest()


def forge(folder, name, **measured):
    """Make manifest and log agree with what a file has become: only the sound itself can tell."""
    info = sf.info(folder / name)
    now = {"sha256": sha256(folder / name), "frames": info.frames, "rate_hz": info.samplerate}
    measured = measured or read_back(folder / name)
    edit(folder, lambda log: listed(log, name).update(now, measured=measured), LOG)
    edit(folder, lambda document: listed(document, name).update(now, measured=measured))
    edit(folder, lambda document: document["beside"].update({LOG: sha256(folder / LOG)}))


def rewrite(path, change, subtype=None, rate_hz=None):
    """Read a file, change its whole numbers (at the top of 32 bits), save it again."""
    info = sf.info(path)
    sound = change(sf.read(path, dtype="int32", always_2d=True)[0])
    sf.write(path, sound, rate_hz or info.samplerate, subtype or info.subtype)


def flip(path, frame):
    """Flip the last bit of a left sample in a 24-bit WAV file."""
    data = bytearray(path.read_bytes())
    data[data.index(b"data") + 8 + frame * PCM_24_FRAME_BYTES] ^= 1
    path.write_bytes(data)


def not_the_sum(stems, from_frame, dbfs, frames, hint=""):
    plural = "" if frames == 1 else "s"
    return (
        f"is not the sum of {stems}: from {from_frame / 48000:.6f} s on, "
        f"by up to {dbfs:.1f} dBFS in {frames} frame{plural}{hint}"
    )


def one_that_matches(pairs, file, *words):
    """The one fault of a file that holds these words."""
    (found,) = [what for name, what in pairs if name == file and all(word in what for word in words)]
    return found


def test_a_good_delivery_is_told_with_how_much_was_checked(delivered):
    found = verify(delivered)
    assert found.faults == ()
    document = json.loads((delivered / "delivery.json").read_text())
    names = [*(each["file"] for each in document["files"]), *document["beside"]]
    assert found.files == len(names) == 12 + 5
    assert found.sums == 2
    assert found.bytes == sum((delivered / name).stat().st_size for name in names)
    assert found.in_words() == f"17 files, 2 sums, {found.bytes / 1e6:.1f} MB: all good"


@pytest.mark.parametrize(
    "form",
    [
        *({"bits": 16}, {"bits": 32}, {"bits": 24, "container": "flac"}, {"bits": "32_float"}),
        {"bits": 16, "rate_hz": 44100, "dither": False},
        {"bits": "32_float", "rate_hz": 96000},
    ],
)
def test_good_deliveries_of_every_form_pass(tmp_path, form):
    deliver = [{"what": "mix"} | form, {"what": "stems"} | form, {"what": "versions"} | form]
    print_session(song(tmp_path, deliver=deliver, versions=VERSIONS), tmp_path / "out")
    assert told(tmp_path / "out") == []


def test_a_sine_that_dither_lifts_over_its_ceiling_is_no_fault(tmp_path):
    """The lowest ceiling in 16 bits: a step is 0.004 dB there."""
    swell = np.minimum(1.0, np.hanning(48000) * 4)[:, None]
    sine = np.tile([[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0], [0.0, -1.0]], (12000, 1))
    session = write_session(
        tmp_path,
        {"sine": 0.07 * swell * sine},
        {"bus": [{"stage": "limiter", "ceiling_dbtp": -24}]},
        mix_bus={"chain": "bus.json"},
        deliver=[{"bits": 16}],
    )
    printed = print_session(session, tmp_path / "out")
    assert -24 < printed.manifest["files"][0]["measured"]["true_peak_dbtp"] < -23.97
    assert told(tmp_path / "out") == []


def test_a_stem_may_pass_the_ceiling_of_the_mix(tmp_path):
    sound = noise(0.3, 1, peak=0.5)
    session = write_session(
        tmp_path,
        {"a": sound, "b": 0.9 * sound},
        {"bus": [{"stage": "limiter", "ceiling_dbtp": -12}]},
        stem_keys={"b": {"polarity": "inverted"}},
        mix_bus={"chain": "bus.json"},
        deliver=[{}, {"what": "stems"}],
    )
    printed = print_session(session, tmp_path / "out")
    mix, *stems = printed.manifest["files"]
    assert mix["ceiling_dbtp"] == -12 < min(each["measured"]["true_peak_dbtp"] for each in stems)
    assert told(tmp_path / "out") == []


def test_one_flipped_bit_is_placed_to_the_frame(folder):
    flip(folder / KICK, 9001)
    assert told(folder) == [
        (MIX, not_the_sum("5 stems in stems", 9001, -138.5, 1)),
        (KICK, OTHER_SHA),
    ]


def test_the_sum_itself_catches_a_bit_that_everything_else_vouches_for(folder):
    flip(folder / KICK, 20000)
    forge(folder, KICK)
    assert told(folder) == [(MIX, not_the_sum("5 stems in stems", 20000, -138.5, 1))]


def test_swapped_files_are_told_by_their_names(folder):
    shutil.move(folder / KICK, folder / "x")
    shutil.move(folder / SNARE, folder / KICK)
    shutil.move(folder / "x", folder / SNARE)
    assert told(folder) == [
        (KICK, f"holds what the manifest lists as {SNARE}"),
        (SNARE, f"holds what the manifest lists as {KICK}"),
    ]


@pytest.mark.parametrize(
    ("name", "mix", "stems", "reason"),
    [
        (KICK, MIX, "5 stems in stems", "is cut short: 167 frames (0.003 s) are missing of the 33600 "),
        (DRUMS, GROUP_MIX, "4 stems in groups", "is damaged or cut short: it can be read up to frame "),
    ],
)
def test_a_truncated_file_is_told_and_its_sum_left_out(folder, name, mix, stems, reason):
    data = (folder / name).read_bytes()
    (folder / name).write_bytes(data[:-1000])
    found = verify(folder)
    pairs = [(fault.file, fault.what) for fault in found.faults]
    assert [pair for pair in pairs if pair[0] != name] == [
        (mix, f"was not compared with {stems}, for want of {name}")
    ]
    mine = [what for file, what in pairs if file == name]
    assert mine[0] == OTHER_SHA
    assert mine[1].startswith(reason)
    assert len(mine) == 2
    assert (found.files, found.sums) == (17, 1)


@pytest.mark.parametrize(
    ("by", "hint"), [(1, "1 frame late"), (-1, "1 frame early"), (480, "480 frames late")]
)
def test_a_shifted_stem_is_told_by_how_much(folder, by, hint):
    def shifted(sound):
        silence = np.zeros((abs(by), 2), np.int32)
        return np.concatenate([silence, sound[:-by]] if by > 0 else [sound[-by:], silence])

    rewrite(folder / KICK, shifted)
    pairs = told(folder)
    assert (KICK, OTHER_SHA) in pairs
    what = one_that_matches(pairs, MIX)
    assert what.startswith("is not the sum of 5 stems in stems: from 0.000000 s on, by up to ")
    assert what.endswith(f" frames; {KICK} comes {hint}")


def test_a_stem_saved_at_another_depth_is_told(folder):
    rewrite(folder / KICK, lambda sound: sound, "PCM_16")
    pairs = told(folder)
    assert [pair for pair in pairs if pair[0] == KICK] == [
        (KICK, OTHER_SHA),
        (KICK, "holds pcm_16 samples, listed with 24 bits"),
    ]
    what = one_that_matches(pairs, MIX, "is not the sum of 5 stems in stems")
    dbfs = float(what.partition("by up to ")[2].partition(" dBFS")[0])
    assert -96 < dbfs < -90  # what 16 bits leave out: half a step, or a whole one where it was cut off
    assert " comes " not in what
    assert len(pairs) == 3


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("notes.txt", "is not in the manifest"),
        ("stems/take 2.wav", "is not in the manifest"),
        (f"stems/.{KICK.removeprefix('stems/')}.part", "is left of a run that was broken off; delete it"),
    ],
)
def test_extra_files_are_told(folder, name, why):
    (folder / name).write_bytes(b"x")
    assert told(folder) == [(name, why)]


def test_missing_files_are_told_and_found_under_other_names(folder):
    (folder / INSTRUMENTAL).unlink()
    (folder / "recall" / "session.json").unlink()
    (folder / KICK).rename(folder / "kick, final.wav")
    found = verify(folder)
    assert [(fault.file, fault.what) for fault in found.faults] == [
        (MIX, f"was not compared with 5 stems in stems, for want of {KICK}"),
        (KICK, "is missing"),
        (INSTRUMENTAL, "is missing"),
        ("recall/session.json", "is missing"),
        ("kick, final.wav", f"is what the manifest lists as {KICK}"),
    ]
    assert (found.files, found.sums) == (14, 1)


def test_names_that_differ_in_case_only_are_told(folder):
    other = KICK.replace("kick", "KICK")
    shutil.copy(folder / KICK, folder / other)
    if len(list((folder / "stems").iterdir())) == 5:
        pytest.skip("a file system on which the two are one")
    assert told(folder) == [
        (KICK, f"differs from {other} only in upper and lower case"),
        (other, "is not in the manifest"),
    ]


def test_a_mix_replaced_by_another_of_the_same_length_is_told(folder):
    quiet = (noise(0.7, 77, peak=0.1) * 2**31).astype(np.int32)
    rewrite(folder / MIX, lambda sound: quiet[: len(sound)])
    pairs = told(folder)
    assert {file for file, _ in pairs} == {MIX}
    mine = [what for _, what in pairs]
    assert mine[0] == OTHER_SHA
    assert "sample_peak_dbfs is -20." in mine[1]
    assert "frames" not in mine[1]
    assert mine[2].startswith("is not the sum of 5 stems in stems: from 0.000000 s on, by up to ")
    assert len(mine) == 3


def test_a_stem_that_has_fallen_silent_is_told(folder):
    rewrite(folder / KICK, lambda sound: sound * 0)
    forge(folder, KICK, true_peak_dbtp=-9.5)
    pairs = told(folder)
    assert (KICK, "is silent, listed with -9.5 dBTP") in pairs
    one_that_matches(pairs, MIX, "is not the sum of 5 stems in stems")
    assert len(pairs) == 2


def test_a_forged_length_contradicts_the_other_files(folder):
    rewrite(folder / KICK, lambda sound: sound[:-1])
    forge(folder, KICK)
    pairs = told(folder)
    assert (KICK, "is listed with 33599 frames, others at 48000 Hz with 33600") in pairs
    what = one_that_matches(pairs, MIX)
    assert what.startswith(f"is not the sum of 5 stems in stems: from {33599 / 48000:.6f} s on, by up to -")
    assert what.endswith(" dBFS in 1 frame")
    assert len(pairs) == 2


def test_a_forged_rate_contradicts_the_other_files(folder):
    rewrite(folder / KICK, lambda sound: sound, rate_hz=44100)
    forge(folder, KICK)
    pairs = told(folder)
    assert (KICK, f"is listed with another rate or depth than {MIX}, to which it adds up") in pairs
    assert {file for file, _ in pairs} == {KICK}  # its numbers still add up


def test_another_rate_or_length_than_listed_is_told(folder):
    rewrite(folder / KICK, lambda sound: sound[:-1], rate_hz=44100)
    what = one_that_matches(told(folder), KICK, "frames")
    assert "frames is 33599, listed as 33600" in what
    assert "rate_hz is 44100, listed as 48000" in what


def test_one_channel_for_two_is_told(folder):
    rewrite(folder / KICK, lambda sound: sound[:, :1])
    one_that_matches(told(folder), KICK, "channels is 1, listed as 2")


EDITS = {
    "peak": (
        lambda d: listed(d, KICK)["measured"].update(true_peak_dbtp=-40.0),
        [(KICK, f"{LOG} says otherwise of its measured"), (KICK, "true_peak_dbtp is ")],
    ),
    "loudness": (
        lambda d: listed(d, MIX)["measured"].update(integrated_lufs=-23.0),
        [(MIX, f"{LOG} says otherwise of its measured"), (MIX, "integrated_lufs is ")],
    ),
    "ceiling": (
        lambda d: listed(d, MIX).update(ceiling_dbtp=-9.0),
        [(MIX, f"{LOG} says otherwise of its ceiling_dbtp"), (MIX, "passes the ceiling of -9 dBTP with -")],
    ),
    "sha256": (
        lambda d: listed(d, KICK).update(sha256="0" * 64),
        [(KICK, f"{LOG} says otherwise of its sha256"), (KICK, OTHER_SHA)],
    ),
    "bits": (
        lambda d: listed(d, KICK).update(bits=16),
        [
            (KICK, f"is listed with another rate or depth than {MIX}, to which it adds up"),
            (KICK, f"{LOG} says otherwise of its bits"),
            (KICK, "holds pcm_24 samples, listed with 16 bits"),
        ],
    ),
    "treatment": (
        lambda d: d.update(treatment_sha256="0" * 64),
        [("delivery.json", f"treatment_sha256 is not what {LOG} says")],
    ),
    "inputs": (
        lambda d: d["inputs"][0].update(sha256="0" * 64),
        [("delivery.json", f"inputs is not what {LOG} says")],
    ),
    "sum of a stranger": (
        lambda d: d["adds_up"][0]["stems"].append("stems/tuba.wav"),
        [
            (MIX, "was not compared with 6 stems in stems, for want of stems/tuba.wav"),
            ("stems/tuba.wav", "is named in a sum, but is not among the files of the manifest"),
        ],
    ),
    "sum of fewer": (
        lambda d: d["adds_up"][0]["stems"].remove(KICK),
        [(MIX, "is not the sum of 4 stems in stems"), (KICK, "is a stem of no sum that the manifest lists")],
    ),
    "sum to another mix": (
        lambda d: d["adds_up"][0].update(mix="mix.wav"),
        [
            ("mix.wav", "is named in a sum, but is not among the files of the manifest"),
            ("mix.wav", "was not compared with 5 stems in stems, for want of mix.wav"),
        ],
    ),
    "exactness": (
        lambda d: d["adds_up"][0].update(exactly=False),
        [(MIX, 'has 24 bits, which "exactly": false contradicts')],
    ),
    "no log": (
        lambda d: d["beside"].pop(LOG),
        [("delivery.json", "lists no decision log"), (LOG, "is not in the manifest")],
    ),
    "a file less": (
        lambda d: d["files"].remove(listed(d, INSTRUMENTAL)),
        [
            (INSTRUMENTAL, f"is a delivery of {LOG}, but not in the manifest"),
            (INSTRUMENTAL, "is not in the manifest"),
        ],
    ),
    "a file twice": (
        lambda d: d["files"].append(listed(d, INSTRUMENTAL)),
        [
            (INSTRUMENTAL, "is listed 2 times"),
            (INSTRUMENTAL, f"is not among the deliveries of {LOG}"),
        ],
    ),
    "a way out": (
        lambda d: d["beside"].update({"../song.wav": "0" * 64}),
        [("../song.wav", "leads out of the delivery")],
    ),
}


@pytest.mark.parametrize("what", EDITS)
def test_an_edited_manifest_is_told(folder, what):
    change, expected = EDITS[what]
    (folder.parent / "song.wav").write_bytes(b"not ours")
    edit(folder, change)
    found = told(folder)
    assert len(found) == len(expected)
    for (file, words), (expected_file, start) in zip(found, expected, strict=True):
        assert file == expected_file
        assert words.startswith(start)


def test_a_log_of_another_treatment_is_told_even_when_its_sha256_is_listed(folder):
    edit(folder, lambda log: log.update(treatment_sha256="1" * 64), LOG)
    edit(folder, lambda document: document["beside"].update({LOG: sha256(folder / LOG)}))
    assert told(folder) == [("delivery.json", f"treatment_sha256 is not what {LOG} says")]


@pytest.mark.parametrize("text", ["x", "{}", '{"format": "busproc-decisions/1"}'])
def test_a_log_that_is_none_is_told(folder, text):
    (folder / LOG).write_text(text)
    words = [what for file, what in told(folder) if file == LOG]
    assert len(words) == 2
    assert OTHER_SHA in words


def test_a_file_that_the_disk_refuses_is_told(folder, monkeypatch):
    from busproc.files import sha256_file

    def refuse(path):
        if path == folder / KICK:
            raise OSError(5, "Input/output error", str(path))
        return sha256_file(path)

    monkeypatch.setattr("busproc.delivery.verify.sha256_file", refuse)
    assert told(folder) == [
        (MIX, f"was not compared with 5 stems in stems, for want of {KICK}"),
        (KICK, "cannot be read: Input/output error"),
    ]


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        (lambda d: d["files"][0].pop("sha256"), "files[0].sha256: missing"),
        (lambda d: d["files"][0].update(frames="33600"), "files[0].frames: must be a whole number"),
        (lambda d: d["files"][0].update(bits=12), "files[0].bits: "),
        (lambda d: d["files"].append(3), "files[12]: "),
        (lambda d: d["adds_up"][0].update(stems=[]), "adds_up[0].stems: must be a list"),
        (lambda d: d.update(beside=[]), "beside: must be an object"),
        (lambda d: d.pop("adds_up"), "adds_up missing"),
        (lambda d: d.update(format="busproc-session/1"), "is not the manifest of a delivery"),
    ],
)
def test_a_manifest_that_is_none_is_refused(folder, change, fault):
    edit(folder, change)
    with pytest.raises(SettingsFileError) as caught:
        verify(folder)
    assert fault in str(caught.value)


def run(*args):
    result = CliRunner().invoke(main, ["verify", *map(str, args)])
    assert isinstance(result.exception, SystemExit | None), result.exception
    return result


def test_the_command_says_that_all_is_good(delivered):
    result = run(delivered)
    assert result.exit_code == 0
    assert result.stdout == verify(delivered).in_words() + "\n"
    assert len(result.stdout.splitlines()) == 1


def test_the_command_prints_a_line_for_every_fault_and_exits_with_1(folder):
    flip(folder / KICK, 9001)
    (folder / "notes.txt").write_text("mine")
    result = run(folder)
    assert result.exit_code == 1
    *lines, last = result.stdout.splitlines()
    width = len(KICK) + 2
    assert [(line[:width].rstrip(), line[width:]) for line in lines] == told(folder)
    assert last.endswith(" MB: 3 faults")
    assert last.startswith("17 files, 2 sums, ")


def test_the_command_refuses_a_folder_without_a_manifest(tmp_path):
    for place in (tmp_path, tmp_path / "nowhere"):
        result = run(place)
        assert result.exit_code == 2
        assert result.stdout == ""
        assert f"{place / 'delivery.json'}: 1 fault\n  no such file" in result.stderr
