"""A drafted session keeps the rules that stand at the top of draft.py, and can be rendered as it is."""

from __future__ import annotations

import json
import sys

import numpy as np
import pytest
import soundfile as sf
from click.testing import CliRunner

from busproc.cli import main
from busproc.draft import WORDS, draft_session, find_stems
from busproc.errors import InputError
from busproc.song import load_session


def folder_of(folder, *names, rate_hz=48000):
    """Write short stems of these names, sub-folders included."""
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        kind = "AIFF" if name.endswith((".aif", ".aiff")) else None
        sf.write(folder / name, np.zeros((480, 2)), rate_hz, format=kind)
    return folder


def draft(folder, *names, **options):
    return json.loads(draft_session(folder_of(folder, *names), **options))


def names_in(session):
    return [stem["name"] for stem in session["stems"]]


def groups_in(session):
    return {stem["name"]: stem.get("group") for stem in session["stems"]}


def test_every_audio_file_is_a_stem_in_the_order_of_names(tmp_path):
    (tmp_path / "notes.txt").write_text("no stem")
    (tmp_path / "folder.wav").mkdir()
    session = draft(
        tmp_path, "b.WAV", "a.flac", "d.aif", "c.aiff", "e.w64", "._b.wav", ".trash/f.wav", "deep/er/g.wav"
    )
    assert names_in(session) == ["a", "b", "c", "d", "e"]


def test_names_lose_track_numbers_and_what_a_name_may_not_hold(tmp_path):
    files = ["01 Kick.wav", "02-Snare (top).wav", "3_hat.wav", "04. Vox & Choir.wav", "440.wav", "05 - .wav"]
    assert names_in(draft(tmp_path, *files)) == ["Kick", "Snare top", "Vox Choir", "stem", "hat", "440"]


def test_a_name_that_is_taken_gets_a_number(tmp_path):
    """Even where another file bears that number; and nothing may be called as the mix bus is."""
    files = ["01 Kick.wav", "02 Kick.wav", "Kick 2.wav", "Kick.wav", "mix_bus.wav"]
    assert names_in(draft(tmp_path, *files)) == ["Kick", "Kick 2", "Kick 2 2", "Kick 3", "mix_bus 2"]


def test_accents_stay_however_they_are_stored(tmp_path):
    """Some systems store a letter and its accent apart (Unicode NFD)."""
    assert names_in(draft(tmp_path, "Flu\u0308gelhorn.wav")) == ["Fl\u00fcgelhorn"]


def test_a_sub_folder_is_a_group(tmp_path):
    session = draft(tmp_path, "Low & End/kick.wav", "Low & End/tuba.wav", "solo/flute.wav", "voice.wav")
    assert groups_in(session) == {"kick": "Low End", "tuba": "Low End", "flute": None, "voice": None}
    assert session["groups"] == [{"name": "Low End"}]


def test_the_group_of_a_sub_folder_loses_its_number(tmp_path):
    session = draft(tmp_path, "01 Low End/kick.wav", "01 Low End/tuba.wav", "voice.wav")
    assert session["groups"] == [{"name": "Low End"}]


def test_a_sub_folder_of_all_stems_says_nothing(tmp_path):
    session = draft(tmp_path, "Stems/kick.wav", "Stems/snare.wav", "Stems/flute.wav")
    assert groups_in(session) == {"kick": "drums", "snare": "drums", "flute": None}


@pytest.mark.parametrize("group", WORDS)
def test_words_in_a_name_lead_to_a_group(tmp_path, group):
    first, second, *_ = WORDS[group].split()
    session = draft(tmp_path, f"{first.title()}In_01.wav", f"my-{second.upper()}.wav", "xyz.wav")
    assert list(groups_in(session).values()).count(group) == 2
    assert groups_in(session)["xyz"] is None
    assert session["groups"] == [{"name": group}]


def test_words_may_have_an_s_behind(tmp_path):
    session = draft(tmp_path, "Kicks.wav", "Hi-Hats.wav", "Basses.wav", "Violas 1.wav", "string_2.wav")
    expected = {"Kicks": "drums", "Hi-Hats": "drums", "Basses": None, "Violas 1": "strings"}
    assert groups_in(session) == expected | {"string_2": "strings"}


def test_no_word_leads_to_two_groups():
    words = [word for known in WORDS.values() for word in known.split()]
    assert len(words) == len(set(words))


def test_words_are_whole(tmp_path):
    """Neither a tomato is a tom nor a hatch a hat."""
    assert set(groups_in(draft(tmp_path, "tomato.wav", "hatch.wav")).values()) == {None}


def test_the_first_group_that_fits_is_taken(tmp_path):
    assert set(groups_in(draft(tmp_path, "double bass.wav", "bass guitar.wav")).values()) == {"bass"}


def test_alone_in_its_group_a_stem_goes_straight_to_the_mix_bus(tmp_path):
    session = draft(tmp_path, "kick.wav", "snare.wav", "vox.wav")
    assert groups_in(session) == {"kick": "drums", "snare": "drums", "vox": None}


def test_a_group_is_left_out_where_a_stem_has_its_name(tmp_path):
    session = draft(tmp_path, "drums.wav", "kick.wav")
    assert groups_in(session) == {"drums": None, "kick": None}
    assert session["groups"] == []


def test_the_most_usual_rate_is_asked_for_where_they_differ(tmp_path):
    folder_of(tmp_path, "a.wav", "b.wav", rate_hz=44100)
    assert "rate_hz" not in json.loads(draft_session(tmp_path))
    folder_of(tmp_path, "c.wav", rate_hz=48000)
    assert json.loads(draft_session(tmp_path))["rate_hz"] == 44100


def test_the_song_is_called_as_asked_or_as_the_folder_of_the_session(tmp_path):
    home = tmp_path / "Harbour Lamps"
    folder = folder_of(home / "stems", "a.wav")
    assert json.loads(draft_session(folder, home=home))["song"] == "Harbour Lamps"
    assert json.loads(draft_session(folder, "Other", home))["song"] == "Other"


@pytest.mark.parametrize("there", [True, False])
def test_a_folder_without_stems_is_refused(tmp_path, there):
    folder = tmp_path if there else tmp_path / "missing"
    with pytest.raises(InputError, match="holds no WAV" if there else "is not a folder"):
        draft_session(folder)


def test_where_no_stem_can_be_read_all_are_named(tmp_path):
    (tmp_path / "b.wav").write_text("no audio")
    with pytest.raises(InputError, match=r"b\.wav is text, not audio"):
        draft_session(tmp_path)


@pytest.mark.parametrize(
    ("current", "stems"), [(".", "stems"), (".", "."), ("stems", "."), (".", "take 1/stems")]
)
def test_the_printed_draft_loads_when_saved_in_the_current_folder(tmp_path, monkeypatch, current, stems):
    """As `busproc session --from stems > song.json` does."""
    files = [
        "03 Kick.wav",
        "Kick.wav",
        "perc/1.wav",
        "perc/2.wav",
        "mix_bus.wav",
        "H\u00b2O (½).wav",
        "-x-.wav",
    ]
    folder_of(tmp_path / current / stems, *files)
    monkeypatch.chdir(tmp_path / current)
    printed = CliRunner().invoke(main, ["session", "--from", stems])
    (tmp_path / current / "song.json").write_bytes(printed.stdout_bytes)
    song = load_session("song.json")
    assert len(song.files) == len(files)
    assert "perc" in song.order


def test_stems_outside_of_the_current_folder_need_leave_and_the_hint_says_so(tmp_path, monkeypatch):
    folder_of(tmp_path / "stems", "a.wav")
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    printed = CliRunner().invoke(main, ["session", "--from", "../stems"])
    (tmp_path / "here" / "song.json").write_bytes(printed.stdout_bytes)
    assert "--allow-outside" in printed.stderr
    with pytest.raises(InputError, match="leads out of the session's folder"):
        load_session("song.json")
    assert len(load_session("song.json", allow_outside=True).files) == 1


def test_what_cannot_be_used_is_left_out_and_named(tmp_path, monkeypatch):
    folder = folder_of(tmp_path / "stems", "kick.wav", "snare.wav")
    sf.write(folder / "surround.wav", np.zeros((100, 6)), 48000)
    (folder / "bounce.mp3").write_bytes(b"")
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(main, ["session", "--from", "stems"])
    assert [stem["name"] for stem in json.loads(result.stdout)["stems"]] == ["kick", "snare"]
    told = [line for line in result.stderr.splitlines() if line.startswith("left out: ")]
    assert len(told) == 2
    assert "bounce.mp3 is lossy" in told[0]
    assert "surround.wav" in told[1]
    assert "6 channels" in told[1]


def test_of_files_of_one_name_side_by_side_one_is_taken(tmp_path):
    """kick.wav beside kick.flac is one sound twice; drums/kick.wav is another."""
    folder_of(tmp_path, "kick.flac", "kick.wav", "kick.aif", "drums/kick.wav", "kick.top.wav", "hat.flac")
    files, infos, left_out = find_stems(tmp_path)
    names = ["drums/kick.wav", "hat.flac", "kick.top.wav", "kick.wav"]
    assert [file.relative_to(tmp_path).as_posix() for file in files] == names
    assert [info.path for info in infos] == files
    assert left_out == [
        f"{tmp_path / name} is by its name the same sound as kick.wav beside it"
        for name in ("kick.aif", "kick.flac")
    ]


def test_of_files_of_one_name_the_one_that_can_be_used_is_taken(tmp_path):
    folder_of(tmp_path, "kick.flac")
    (tmp_path / "kick.wav").write_text("no audio")
    files, _, left_out = find_stems(tmp_path)
    assert files == [tmp_path / "kick.flac"]
    assert [line.partition(" is ")[0] for line in left_out] == [str(tmp_path / "kick.wav")]


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere names are Unicode")
def test_a_name_that_is_no_text_is_left_out(tmp_path):
    folder_of(tmp_path, "kick.wav", "snare.wav").joinpath("snare.wav").rename(tmp_path / "sn\udce4re.wav")
    files, _, left_out = find_stems(tmp_path)
    assert files == [tmp_path / "kick.wav"]
    assert r"sn\udce4re.wav' is no UTF-8 text" in left_out[0]


def test_what_is_hidden_is_not_named_either(tmp_path):
    folder_of(tmp_path, "kick.wav")
    (tmp_path / "._bounce.mp3").write_bytes(b"")
    assert find_stems(tmp_path)[2] == []
