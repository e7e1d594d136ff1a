"""A record made by several hands, stopped and taken up again: always the same bytes, and nothing twice."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from busproc.album.rendering import plan_album, render_album
from busproc.engine import Engine
from busproc.errors import SettingsFileError
from tests.album.test_record import write_album

pytestmark = pytest.mark.slow

LOUD = {"how": "loudest_song", "target_lufs": -14.0}
FIVE_DB = (0.0, -5.0, -2.0, -4.0)


def everything(folder):
    """Every file that was delivered, by its name: all but what is kept for the next run."""
    files = [file for file in folder.rglob("*") if file.is_file() and ".busproc" not in file.parts]
    return {str(file.relative_to(folder)): file.read_bytes() for file in files}


def start(*arguments, **rest):
    command = [sys.executable, "-m", "busproc", *map(str, arguments)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **rest)


def wait_for(process, words):
    """Read what a process tells until the words come."""
    for line in process.stderr:
        if words in line:
            return
    pytest.fail(f"it ended before it told {words!r}")


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory):
    """A record made one song after the other, and its files."""
    folder = tmp_path_factory.mktemp("record")
    album = write_album(folder, levels_db=FIVE_DB, loudness=LOUD)
    render_album(album, folder / "out")
    return album, everything(folder / "out")


@pytest.mark.parametrize(
    "engine", [Engine(jobs=2), Engine(jobs=2, processes=True)], ids=["threads", "processes"]
)
def test_side_by_side_gives_the_same_bytes(undisturbed, tmp_path, engine):
    album, files = undisturbed
    render_album(album, tmp_path / "out", engine=engine)
    assert everything(tmp_path / "out") == files


@pytest.mark.parametrize("how", [["--jobs", "1"], ["--jobs", "2"], ["--jobs", "2", "--processes"]])
def test_killed_in_the_middle_and_run_again_it_is_the_same(undisturbed, tmp_path, how):
    album, files = undisturbed
    process = start("album", album, "--out", tmp_path / "out", *how, start_new_session=True)
    wait_for(process, ": rendering")
    os.killpg(process.pid, signal.SIGKILL)
    process.communicate()
    assert everything(tmp_path / "out") != files
    again = start("album", album, "--out", tmp_path / "out")
    again.communicate()
    assert again.returncode == 0
    assert everything(tmp_path / "out") == files


@pytest.mark.parametrize("how", [["--jobs", "2"], ["--jobs", "2", "--processes"]])
def test_called_off_it_stops_cleanly(undisturbed, tmp_path, how):
    album, files = undisturbed
    process = start("album", album, "--out", tmp_path / "out", *how, start_new_session=True)
    wait_for(process, ": rendering")
    called_off = time.monotonic()
    os.killpg(process.pid, signal.SIGINT)
    _, told = process.communicate(timeout=60)
    assert time.monotonic() - called_off < 30
    assert process.returncode == 1
    assert "Traceback" not in told
    assert not list((tmp_path / "out").rglob("*.part"))
    render_album(album, tmp_path / "out")
    assert everything(tmp_path / "out") == files


def test_what_has_not_changed_is_not_made_again(tmp_path, monkeypatch):
    """The loudest song sets the gain; a louder voice in a softer one moves the median, no more."""
    album = write_album(tmp_path, levels_db=FIVE_DB, loudness=LOUD, calibrate={"drive_lufs": -20})
    out = tmp_path / "out"
    assert [todo.action for todo in plan_album(album, out)] == ["render"] * 4
    assert not out.exists()
    render_album(album, out)
    assert [todo.action for todo in plan_album(album, out)] == ["keep"] * 4

    change(tmp_path / "song_1" / "session.json", gain_db=-1.5)
    plan = plan_album(album, out)
    assert [todo.action for todo in plan] == ["perhaps", "render", "perhaps", "perhaps"]
    assert plan[1].why == ("session: stems[0] 'all'.gain_db: 0 -> -1.5 dB",)
    measured = spied(monkeypatch, "measure_entrance")
    limited = spied(monkeypatch, "meter_limited")
    recorded = render_album(album, out)
    assert recorded.rendered == ("02_Song_1",)
    assert [song.path.parent.name for song, *_ in measured] == ["song_1"]
    assert {song.path.parent.name for song, *_ in limited} == {"song_1"}

    change(tmp_path / "song_3" / "session.json", pan=0.3)
    (next((out / "01_Song_0").glob("*.wav"))).write_bytes(b"broken")
    whys = [todo.why for todo in plan_album(album, out)]
    render_album(album, out)
    assert [todo.action for todo in plan_album(album, out)] == ["keep"] * 4
    assert any("pan" in why for why in whys[3])


def test_a_trim_that_moves_makes_its_song_again_and_says_so(tmp_path):
    album = write_album(tmp_path)
    render_album(album, tmp_path / "out")
    change(tmp_path / "song_2" / "session.json", gain_db=1.0)  # the median song: all trims follow
    assert [todo.action for todo in plan_album(album, tmp_path / "out")] == ["perhaps", "perhaps", "render"]
    assert len(render_album(album, tmp_path / "out").rendered) == 3


def test_a_file_that_changed_is_told_by_its_digest(tmp_path):
    album = write_album(tmp_path, calibrate=None)
    render_album(album, tmp_path / "out")
    other = (tmp_path / "song_0" / "all.wav").read_bytes()
    (tmp_path / "song_1" / "all.wav").write_bytes(other)
    why = plan_album(album, tmp_path / "out")[1].why
    assert len(why) == 1
    assert why[0].startswith("all: all.wav has SHA-256 ")


def test_findings_that_cannot_be_read_are_found_again(tmp_path):
    album = write_album(tmp_path, levels_db=(0.0, -3.0))
    render_album(album, tmp_path / "out")
    for text in ("{", "[]", '{"format": "busproc-known/1"}'):
        (tmp_path / "out" / ".busproc" / "known.json").write_text(text)
        assert render_album(album, tmp_path / "out").rendered == ()


def change(session: Path, **keys):
    document = json.loads(session.read_text())
    document["stems"][0] |= keys
    session.write_text(json.dumps(document))


def spied(monkeypatch, name):
    """Arguments of every call of a job."""
    from busproc.album import recording

    calls, work = [], getattr(recording, name)

    def spy(*arguments):
        calls.append(arguments)
        return work(*arguments)

    monkeypatch.setattr(recording, name, spy)
    return calls


def test_files_of_others_in_a_songs_folder_are_no_reason_to_render(tmp_path):
    album = write_album(tmp_path, levels_db=(0.0, -3.0))
    out = tmp_path / "out"
    first = render_album(album, out)
    (out / first.report["songs"][0]["folder"] / ".DS_Store").write_bytes(b"mine")
    assert [todo.action for todo in plan_album(album, out)] == ["keep", "keep"]


def test_folders_of_an_earlier_order_are_named(tmp_path):
    album = write_album(tmp_path, levels_db=(0.0, -3.0))
    assert render_album(album, tmp_path / "out").left_over == ()
    document = json.loads(album.read_text())
    document["songs"].reverse()
    album.write_text(json.dumps(document))
    assert render_album(album, tmp_path / "out").left_over == ("01_Song_0", "02_Song_1")


def test_one_setting_changed_by_two_exceptions_is_refused(tmp_path):
    album = write_album(tmp_path, levels_db=(0.0, -3.0))
    document = json.loads(album.read_text())
    ratio = [{"set": {"hold.ratio": ratio}, "reason": "a ballad"} for ratio in (2, 3)]
    document["songs"][1]["exceptions"] = ratio
    album.write_text(json.dumps(document))
    with pytest.raises(SettingsFileError, match=r"songs\[1\]\.exceptions\[1\]\.set\.hold\.ratio: "):
        render_album(album, tmp_path / "out")
