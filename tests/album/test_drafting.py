"""A drafted album keeps the rules that stand at the top of drafting.py, and can be rendered as it is."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
from click.testing import CliRunner

from busproc.album.drafting import ALBUM, CHAIN, PRESET, SESSION, draft_album
from busproc.album.loading import load_album
from busproc.album.rendering import render_album
from busproc.album.settings import Calibration
from busproc.cli import main
from busproc.errors import InputError
from busproc.files import atomic_files
from busproc.presets import load_preset
from busproc.stages.limiter import Limiter
from tests.songs import noise

STEMS = ("Kick", "Snare", "OH", "Bass DI", "Gtr L", "Gtr R", "Piano", "Synth Pads", "Lead Vox", "BGV")


def write_stems(folder, *files, sound=None, rate_hz=48000):
    for file in files:
        (folder / file).parent.mkdir(parents=True, exist_ok=True)
        sf.write(folder / file, np.zeros((48, 1)) if sound is None else sound, rate_hz)
    return folder


def songs_of(folder, *names):
    """Folders of songs, of a stem each."""
    for name in names:
        write_stems(folder / name, "a.wav")
    return folder


def saved(draft):
    """Write a draft as a command would; returns the album file."""
    with atomic_files(list(draft.texts)) as parts:
        for part, text in zip(parts, draft.texts.values(), strict=True):
            part.write_text(text, encoding="utf-8")
    return next(iter(draft.texts))


def titles(draft):
    return [json.loads(text)["song"] for text in draft.texts.values() if '"song"' in text]


def test_ten_songs_of_ten_stems_load_as_they_are_drafted(tmp_path):
    folder = tmp_path / "Lantern Hours"
    for number in range(1, 11):
        files = [f"{n:02d} {name}.wav" for n, name in enumerate(STEMS, 1)]
        write_stems(folder / f"{number} Song {number}", *files)
    draft = draft_album(folder)
    record = load_album(saved(draft))
    assert record.album.album == "Lantern Hours"
    assert [track.song.session.song for track in record.tracks] == [f"Song {n}" for n in range(1, 11)]
    assert {len(track.song.files) for track in record.tracks} == {10}
    groups = "drums, guitars, keys, voices"
    assert draft.songs == tuple(f"{n}. Song {n}: 10 stems; groups {groups}" for n in range(1, 11))
    assert draft.left_out == ()


def test_the_same_folder_makes_the_same_draft(tmp_path):
    songs_of(tmp_path, "b", "2", "10 c", "a_1")
    assert draft_album(tmp_path) == draft_album(tmp_path)


def test_a_drafted_record_renders_at_once(tmp_path):
    for name, peak, rate_hz in (("01 Harbour", 0.1, 48000), ("Lantern_Song", 0.3, 44100)):
        for seed, stem in enumerate(("kick.wav", "snare.wav", "vox.wav")):
            sound = noise(1.0, seed + 1, rate_hz=rate_hz, peak=peak)
            write_stems(tmp_path / name, stem, sound=sound, rate_hz=rate_hz)
    recorded = render_album(saved(draft_album(tmp_path)), tmp_path / "record")
    assert recorded.rendered == ("01_Harbour", "02_Lantern_Song")
    entered = [song["drive"]["measured"] + song["drive"]["trim_db"] for song in recorded.report["songs"]]
    assert entered[0] == pytest.approx(entered[1], abs=0.011)  # two figures rounded to 0.01
    for name, rate_hz in (("01_Harbour/Harbour_mix_48k24", 48000), ("02_Lantern_Song/*_44.1k24", 44100)):
        (mix,) = recorded.folder.glob(f"{name}.wav")
        assert (sf.info(mix).samplerate, sf.info(mix).subtype) == (rate_hz, "PCM_24")
        assert 0.05 < np.abs(sf.read(mix)[0]).max() < 10 ** (-1 / 20)
    again = draft_album(tmp_path)
    assert again.left_out == (f"{tmp_path / 'record'} holds a record that was rendered",)


def test_songs_stand_by_number_then_by_name_in_natural_order(tmp_path):
    names = ["10 Ash", "2 Zinc", "02-Mist", "Song 10", "Song 2", "amber", "1984", "2024-05 Fog", "100_Last"]
    assert titles(draft_album(songs_of(tmp_path, *names))) == [
        *("Mist", "Zinc", "Ash", "Last"),
        *("1984", "2024-05 Fog", "amber", "Song 2", "Song 10"),
    ]


@pytest.mark.parametrize(
    ("name", "title"),
    [
        ("01 Harbour", "Harbour"),
        ("3. Low_Tide", "Low Tide"),
        ("04 - The  Quay (live)", "The Quay (live)"),
        ("Lantern_Song", "Lantern Song"),
        ("7", "7"),
        ("05 - ", "05 -"),
        ("___", "untitled"),
        ("Fa\u0308hre", "F\u00e4hre"),
        ("two\nlines", "two lines"),
    ],
)
def test_titles_are_names_without_track_numbers(tmp_path, name, title):
    draft = draft_album(songs_of(tmp_path, name))
    assert titles(draft) == [title]
    assert load_album(saved(draft)).tracks[0].song.session.song == title


def test_the_record_is_called_as_asked_or_as_its_folder(tmp_path, monkeypatch):
    folder = songs_of(tmp_path / "12_Lantern_Hours", "a")
    assert json.loads(draft_album(folder).texts[folder / ALBUM])["album"] == "12 Lantern Hours"
    assert json.loads(draft_album(folder, "Low").texts[folder / ALBUM])["album"] == "Low"
    monkeypatch.chdir(folder)
    assert json.loads(draft_album(Path()).texts[Path(ALBUM)])["album"] == "12 Lantern Hours"


def test_the_album_is_at_its_defaults_and_says_what_to_edit(tmp_path):
    draft = draft_album(songs_of(tmp_path, "a"))
    assert list(draft.texts) == [tmp_path / ALBUM, tmp_path / CHAIN, tmp_path / "a" / SESSION]
    album = load_album(saved(draft)).album
    assert album.calibrate == Calibration()
    assert album.loudness is None
    assert [(each.what, each.bits, each.container) for each in album.deliver] == [("mix", 24, "wav")]
    for word in (CHAIN, "gap_s", "reel", "loudness", "session"):
        assert word in draft.hint


def test_what_the_hint_names_as_loudness_can_be_said(tmp_path):
    """The drafted chain ends in a limiter, without a target of its own."""
    draft = draft_album(songs_of(tmp_path, "a"))
    document = json.loads(draft.texts[tmp_path / ALBUM])
    example = draft.hint.partition("such as ")[2].partition("}")[0] + "}"
    draft.texts[tmp_path / ALBUM] = json.dumps(document | {"loudness": json.loads(example)})
    record = load_album(saved(draft))
    assert record.album.loudness is not None
    assert record.tracks[0].chain == load_preset(PRESET)
    assert isinstance(record.tracks[0].chain.stages[-1], Limiter)


def test_sub_folders_of_a_song_are_its_groups(tmp_path):
    write_stems(tmp_path / "Quay", "01 Drums/kick.wav", "01 Drums/snare.wav", "Voices/1.wav", "Voices/2.wav")
    write_stems(tmp_path / "Tide", "Stems/kick.wav", "Stems/snare.wav", "Stems/flute.wav")
    assert draft_album(tmp_path).songs == (
        "1. Quay: 4 stems; groups Drums, Voices",
        "2. Tide: 3 stems; groups drums",
    )


def test_a_song_of_several_rates_asks_for_the_usual_one(tmp_path):
    write_stems(tmp_path / "a", "1.wav", "2.wav", rate_hz=44100)
    write_stems(tmp_path / "a", "3.wav", rate_hz=96000)
    draft = draft_album(tmp_path)
    assert draft.songs == ("1. a: 3 stems; no groups; their rates differ, so the song is at 44100 Hz",)
    assert load_album(saved(draft)).tracks[0].song.rate_hz == 44100


def test_what_is_left_out_is_named(tmp_path):
    songs_of(tmp_path, "Quay", ".hidden", "deep/er/still")
    write_stems(tmp_path, "rough.wav")
    write_stems(tmp_path / "Quay", "a.flac")
    (tmp_path / "artwork").mkdir()
    (tmp_path / "broken").mkdir()
    (tmp_path / "broken" / "a.wav").write_text("no audio")
    draft = draft_album(tmp_path)
    assert draft.songs == ("1. Quay: 1 stem; no groups",)
    nothing = "holds no WAV, FLAC, AIFF or W64 file to use, and no sub-folder with one"
    rough, artwork, broken, why, deep, twin = draft.left_out
    assert rough == f"{tmp_path / 'rough.wav'} lies beside the songs, in none of their folders"
    assert artwork == f"{tmp_path / 'artwork'} {nothing}"
    assert broken == f"{tmp_path / 'broken'} {nothing}"
    assert "a.wav is text, not audio" in why
    assert deep == f"{tmp_path / 'deep'} {nothing}"
    assert twin.startswith(f"{tmp_path / 'Quay' / 'a.flac'} is by its name the same sound as a.wav")


@pytest.mark.parametrize("more", [(), ("artwork",)])
def test_a_folder_of_one_song_is_sent_to_the_command_for_one(tmp_path, more):
    write_stems(tmp_path, "kick.wav")
    for name in more:
        (tmp_path / name).mkdir()
    with pytest.raises(InputError, match=r"holds stems itself .* busproc session --from") as error:
        draft_album(tmp_path)
    assert len(str(error.value).splitlines()) == 1
    assert CliRunner().invoke(main, ["session", "--from", str(tmp_path)]).exit_code == 0


def test_a_folder_without_songs_is_refused_with_all_reasons(tmp_path):
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match=r"holds no song: put (.|\n)*empty holds no WAV"):
        draft_album(tmp_path)
    with pytest.raises(InputError, match="missing is not a folder"):
        draft_album(tmp_path / "missing")


def test_paths_are_relative_however_the_folder_is_named(tmp_path, monkeypatch):
    songs_of(tmp_path / "songs", "Quay")
    (tmp_path / "link").symlink_to(tmp_path / "songs")
    monkeypatch.chdir(tmp_path)
    from_link = draft_album(Path("link"), "Lamps")
    whole = draft_album(tmp_path / "songs", "Lamps")
    assert list(from_link.texts) == [Path("link", *path) for path in ((ALBUM,), (CHAIN,), ("Quay", SESSION))]
    assert list(from_link.texts.values()) == list(whole.texts.values())
    assert str(tmp_path) not in "".join(whole.texts.values())
    assert len(load_album(saved(from_link)).tracks) == 1
