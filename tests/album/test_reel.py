"""The reel of a record: delivered mixes end to end, marked in the file and in a CUE sheet."""

from __future__ import annotations

import json
import re

import numpy as np
import pytest
import soundfile as sf
from wavinfo import WavInfoReader

from busproc.album.loading import load_album
from busproc.album.reel import lay_out
from busproc.album.rendering import render_album
from busproc.errors import InputError, SettingsFileError
from busproc.files import open_writer
from busproc.files.cues import Cue
from tests.songs import noise, write_session

RATE_HZ = 48000
SECTOR = RATE_HZ // 75
TITLES = ("First Lamp", 'The "Old" Quay', "Łódka, Fähre")
LENGTHS_S = (3.0, 3.10669, 3.2)
ISRCS = (None, "QZABC2600001", "QZABC2600002")


def write_album(folder, songs=({}, {}, {}), rates=(RATE_HZ,) * 3, **rest):
    """Three songs of noise; `songs` are further keys of their entries."""
    for n, (title, length_s, isrc, rate_hz) in enumerate(zip(TITLES, LENGTHS_S, ISRCS, rates, strict=True)):
        tags = {"artist": "The Pier Trio"} | ({"isrc": isrc} if isrc else {})
        sound = noise(length_s, n + 1, rate_hz=rate_hz)
        write_session(
            folder / f"song_{n}",
            {"all": sound},
            song=title,
            tags=tags,
            rates={"all": rate_hz},
            rate_hz=rate_hz,
        )
    stages = [{"stage": "gain", "gain_db": -3}]
    (folder / "chain.json").write_text(json.dumps({"format": "busproc-chain/1", "stages": stages}))
    document = {
        "format": "busproc-album/1",
        "album": "Lantern Hours",
        "chain": "chain.json",
        "songs": [{"session": f"song_{n}/session.json"} | keys for n, keys in enumerate(songs)],
        "calibrate": None,
        "reel": True,
        "deliver": [{"bits": 24}],
    }
    file = folder / "album.json"
    file.write_text(json.dumps(document | rest))
    return file


def made(folder, **rest):
    """The record in `folder / "out"`: its reel's file, and the mixes of the songs."""
    recorded = render_album(write_album(folder, **rest), folder / "out")
    reel = recorded.folder / recorded.report["reel"]["file"]
    form = reel.stem.rpartition("_")[2]
    folders = [recorded.folder / song["folder"] for song in recorded.report["songs"]]
    return recorded, reel, [next(folder.glob(f"*_mix_{form}.*")) for folder in folders]


def whole(file):
    return sf.read(file, dtype="int32")[0]


def starts(recorded):
    return [song["start_frame"] for song in recorded.report["reel"]["songs"]]


def read_sheet(file):
    """A CUE sheet: its head, and for each track what it says, places in sectors."""
    head, *tracks = re.split(r"  TRACK (?=\d\d AUDIO)", file.read_bytes().decode().replace("\r\n", "\n"))
    found = []
    for track in tracks:
        told = dict(re.findall(r'^ +(TITLE|PERFORMER|ISRC) "?(.*?)"?$', track, re.MULTILINE))
        for number, minutes, seconds, sectors in re.findall(r"INDEX (\d\d) (\d\d):(\d\d):(\d\d)", track):
            told[number] = (int(minutes) * 60 + int(seconds)) * 75 + int(sectors)
        found.append(told | {"number": int(track[:2])})
    return head, found


@pytest.mark.parametrize("bits", [16, 24, 32, "32_float"])
def test_songs_stand_on_the_reel_as_they_were_delivered(tmp_path, bits):
    recorded, reel, mixes = made(tmp_path, deliver=[{"bits": bits}, {"bits": 24, "container": "flac"}])
    name = "32f" if bits == "32_float" else bits
    assert reel.name == f"Lantern_Hours_reel_48k{name}.wav"
    assert sf.info(reel).subtype == sf.info(mixes[0]).subtype
    sound = sf.read(reel, dtype="float64" if bits == "32_float" else "int32")[0]
    at = 0
    for start, mix in zip(starts(recorded), mixes, strict=True):
        assert not sound[at:start].any()
        song = sf.read(mix, dtype=sound.dtype.name)[0]
        np.testing.assert_array_equal(sound[start : start + len(song)], song)
        at = start + len(song)
    assert len(sound) == at == recorded.report["reel"]["frames"]


def test_gaps_grow_to_the_next_sector(tmp_path):
    recorded, _, mixes = made(tmp_path, songs=({"gap_s": 9.0}, {"gap_s": 0.0}, {"gap_s": 1.6}))
    first, second, third = starts(recorded)
    lengths = [sf.info(mix).frames for mix in mixes]
    assert first == 0
    assert second == lengths[0] == 225 * SECTOR  # 3 s are whole sectors: nothing between
    wanted = second + lengths[1] + round(1.6 * RATE_HZ)
    assert lengths[1] % SECTOR == 1  # and 3.10669 s are one frame more than some
    assert third == wanted + SECTOR - 1


def test_a_rate_without_whole_sectors_starts_in_the_frame_before_the_sector(tmp_path):
    """8000 Hz: 106.67 frames a sector."""
    file = write_album(tmp_path, rates=(8000,) * 3, reel=False)
    files = []
    for n, frames in enumerate((107, 1000, 5)):
        files.append(tmp_path / f"{n}.wav")
        with open_writer(files[-1], "wav", 16, 8000, 2, frames) as writer:
            writer.write(np.zeros((frames, 2), np.int32))
    songs = lay_out(load_album(file).tracks, files)
    assert [each.start for each in songs] == [0, 152 * 8000 // 75, 312 * 8000 // 75]


def test_marks_and_labels_say_where_songs_start(tmp_path):
    recorded, reel, _ = made(tmp_path)
    cues = WavInfoReader(str(reel)).cues
    assert [cue.sample_offset for cue in cues.cues] == starts(recorded)
    assert [cue.position for cue in cues.cues] == starts(recorded)
    assert {cue.chunk_id for cue in cues.cues} == {b"data"}
    labels = [cues.label_and_note(cue.name)[0] for cue in cues.cues]
    assert labels == [*TITLES[:2], "?ódka, Fähre"]  # ISO 8859-1 has no barred L


def test_the_sheet_says_the_same(tmp_path):
    recorded, reel, mixes = made(tmp_path, songs=({}, {"gap_s": 0.0}, {"gap_s": 54.0}))
    head, tracks = read_sheet(recorded.folder / recorded.report["reel"]["cue_sheet"])
    assert head == f'PERFORMER "The Pier Trio"\nTITLE "Lantern Hours"\nFILE "{reel.name}" WAVE\n'
    assert [track["number"] for track in tracks] == [1, 2, 3]
    assert [track["TITLE"] for track in tracks] == [TITLES[0], "The 'Old' Quay", TITLES[2]]
    assert {track["PERFORMER"] for track in tracks} == {"The Pier Trio"}
    assert [track.get("ISRC") for track in tracks] == list(ISRCS)
    assert [track["01"] * SECTOR for track in tracks] == starts(recorded)
    assert ["00" in track for track in tracks] == [False, False, True]
    ended = starts(recorded)[1] + sf.info(mixes[1]).frames
    assert (tracks[2]["00"] - 1) * SECTOR < ended <= tracks[2]["00"] * SECTOR


@pytest.mark.parametrize("bits", [24, "32_float"])
def test_fades_are_half_cosines_and_leave_all_else_alone(tmp_path, bits):
    keys = {"fade_in_s": 0.5, "fade_out_s": 1.0}
    recorded, reel, mixes = made(tmp_path, songs=({}, keys, {}), deliver=[{"bits": bits}])
    start, mix = starts(recorded)[1], sf.read(mixes[1])[0]
    found = sf.read(reel)[0][start : start + len(mix)]
    since, left = np.arange(len(mix)) / RATE_HZ, np.arange(len(mix))[::-1] / RATE_HZ
    gain = np.ones(len(mix))
    gain[since < 0.5] = 0.5 - 0.5 * np.cos(np.pi * since[since < 0.5] / 0.5)
    gain[left < 1.0] *= 0.5 - 0.5 * np.cos(np.pi * left[left < 1.0] / 1.0)
    step = 0.0 if bits == "32_float" else 2.0**-23
    np.testing.assert_allclose(
        found, mix * gain[:, None], rtol=1e-7, atol=2 * step
    )  # 1 of dither, half a step
    between = slice(RATE_HZ // 2, len(mix) - RATE_HZ)
    np.testing.assert_array_equal(found[between], mix[between])
    assert not np.array_equal(found[: RATE_HZ // 2], mix[: RATE_HZ // 2])


@pytest.mark.parametrize(("dither", "variance"), [(True, 1 / 4), (False, 1 / 12)])
def test_a_fade_is_dithered_anew_unless_the_mix_is_not(tmp_path, dither, variance):
    """Variance of the error in steps: triangular dither of 2 steps adds 1/6 to the 1/12 of rounding."""
    delivery = [{"bits": 16, "dither": dither}]
    recorded, reel, mixes = made(tmp_path, songs=({}, {"fade_out_s": 3.0}, {}), deliver=delivery)
    start, mix = starts(recorded)[1], whole(mixes[1]) / 2.0**16
    found = whole(reel)[start : start + len(mix)] / 2.0**16
    left = np.arange(len(mix))[::-1] / RATE_HZ
    gain = np.where(left < 3.0, 0.5 - 0.5 * np.cos(np.pi * left / 3.0), 1.0)
    error = (found - mix * gain[:, None])[left < 2.9]
    assert np.var(error) == pytest.approx(variance, rel=0.03)
    assert abs(np.mean(error)) < 0.01


def test_dither_of_a_fade_is_not_that_of_the_mix_once_more(tmp_path):
    """Noise of the mix is what its file without dither lacks; equal noise would show a correlation near 1."""
    _, reel, mixes = made(tmp_path / "a", songs=({"fade_out_s": 3.0}, {}, {}), deliver=[{"bits": 16}])
    _, _, plain = made(tmp_path / "b", deliver=[{"bits": 16, "dither": False}])
    mix = whole(mixes[0])
    left = np.arange(len(mix))[::-1] / RATE_HZ
    gain = 0.5 - 0.5 * np.cos(np.pi * left / 3.0)
    again = (whole(reel)[: len(mix)] - mix * gain[:, None])[RATE_HZ:-RATE_HZ]
    once = (mix - whole(plain[0]))[RATE_HZ:-RATE_HZ]
    assert abs(np.corrcoef(again.ravel(), once.ravel())[0, 1]) < 0.02


def test_the_same_bytes_again_whatever_was_there(tmp_path):
    recorded, reel, _ = made(tmp_path, songs=({"fade_in_s": 1.0}, {}, {}))
    sheet = recorded.folder / recorded.report["reel"]["cue_sheet"]
    before = reel.read_bytes(), sheet.read_bytes()
    reel.write_bytes(b"broken")
    sheet.unlink()
    again = render_album(tmp_path / "album.json", tmp_path / "out")
    assert again.rendered == ()
    assert (reel.read_bytes(), sheet.read_bytes()) == before
    assert again.report == recorded.report
    assert [each.name for each in recorded.folder.glob(".*")] == [".busproc"]


def test_what_cannot_be_one_file_is_told_before_anything_is_rendered(tmp_path):
    album = write_album(
        tmp_path, songs=({"fade_in_s": 2.0, "fade_out_s": 1.5}, {}, {}), rates=(48000, 44100, 48000)
    )
    with pytest.raises(SettingsFileError) as error:
        load_album(album)
    fades, rates = error.value.faults
    assert fades == "songs[0]: fades of 3.5 s together are longer than the song, which lasts 3.000 s"
    told = f"48000 Hz: {TITLES[0]}, {TITLES[2]}; 44100 Hz: {TITLES[1]}"
    assert rates == f"reel: its songs differ in rate ({told}); give the mix under deliver a rate_hz"


def test_songs_of_different_rates_meet_in_the_rate_of_the_delivery(tmp_path):
    rates = (48000, 44100, 48000)
    recorded, reel, mixes = made(tmp_path, rates=rates, deliver=[{"bits": 16, "rate_hz": 44100}])
    assert sf.info(reel).samplerate == 44100
    assert starts(recorded)[1] % 588 == 0
    np.testing.assert_array_equal(whole(reel)[starts(recorded)[2] :], whole(mixes[2]))


def test_a_sheet_counts_99_songs_at_most(tmp_path):
    album = write_album(tmp_path)
    document = json.loads(album.read_text())
    document["songs"] = document["songs"][:1] * 100
    album.write_text(json.dumps(document))
    with pytest.raises(SettingsFileError, match="reel: 100 songs are more than the 99"):
        load_album(album)


def test_a_mark_beyond_what_the_chunk_can_count_is_refused(tmp_path):
    with pytest.raises(InputError, match=r"the mark 'late' lies at frame 4294967296"):
        open_writer(tmp_path / "a.wav", "wav", 16, RATE_HZ, 2, 2**33, cues=[Cue(2**32, "late")])
