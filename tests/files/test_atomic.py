"""Files appear whole or not at all, whatever happens on the way."""

import os
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from busproc.errors import InputError, RenderError
from busproc.files import atomic_files, inspect


def listing(folder):
    return sorted(path.name for path in folder.iterdir())


def test_files_appear_when_the_block_ends(tmp_path):
    finals = [tmp_path / "mix.wav", tmp_path / "mix.flac"]
    with atomic_files(finals) as parts:
        for part in parts:
            part.write_text(part.name)
        assert listing(tmp_path) == [".mix.flac.part", ".mix.wav.part"]
    assert listing(tmp_path) == ["mix.flac", "mix.wav"]
    assert [path.read_text() for path in finals] == [".mix.wav.part", ".mix.flac.part"]


@pytest.mark.parametrize("fault", [ValueError, KeyboardInterrupt])
def test_an_exception_leaves_nothing_behind(tmp_path, fault):
    def fail_halfway():
        with atomic_files([tmp_path / "old.wav", tmp_path / "new.wav"], overwrite=True) as parts:
            parts[0].write_text("half")
            raise fault

    (tmp_path / "old.wav").write_text("old")
    with pytest.raises(fault):
        fail_halfway()
    assert listing(tmp_path) == ["old.wav"]
    assert (tmp_path / "old.wav").read_text() == "old"


def test_an_existing_file_is_refused_before_any_work(tmp_path):
    (tmp_path / "b.wav").write_text("old")
    with (
        pytest.raises(InputError, match=r"b\.wav exists; add --overwrite or choose another folder"),
        atomic_files([tmp_path / "a.wav", tmp_path / "b.wav"]),
    ):
        pytest.fail("the block was entered")
    assert listing(tmp_path) == ["b.wav"]
    assert (tmp_path / "b.wav").read_text() == "old"


def test_an_existing_file_is_replaced_if_asked(tmp_path):
    (tmp_path / "a.wav").write_text("old")
    with atomic_files([tmp_path / "a.wav"], overwrite=True) as (part,):
        part.write_text("new")
        assert (tmp_path / "a.wav").read_text() == "old"
    assert (tmp_path / "a.wav").read_text() == "new"


def test_a_file_that_turned_up_meanwhile_is_not_overwritten(tmp_path):
    def write_late():
        with atomic_files([tmp_path / "a.wav", tmp_path / "b.wav"]) as parts:
            for part in parts:
                part.write_text("ours")
            (tmp_path / "b.wav").write_text("another's")

    with pytest.raises(InputError, match=r"b\.wav exists"):
        write_late()
    assert listing(tmp_path) == ["b.wav"]
    assert (tmp_path / "b.wav").read_text() == "another's"


def test_nothing_is_renamed_unless_every_file_was_written(tmp_path):
    with (
        pytest.raises(RenderError, match=r"could not put in place .*a\.wav, .*b\.wav: .*\.b\.wav\.part"),
        atomic_files([tmp_path / "a.wav", tmp_path / "b.wav"]) as parts,
    ):
        parts[0].write_text("whole")
    assert listing(tmp_path) == []


def test_every_file_is_on_the_disk_before_the_first_is_renamed_and_the_folder_after(tmp_path, monkeypatch):
    done = []
    fsync, replace = os.fsync, Path.replace

    def watched_fsync(descriptor):
        done.append("flush " + Path(f"/proc/self/fd/{descriptor}").readlink().name)
        fsync(descriptor)

    def watched_replace(self, target):
        done.append(f"rename {self.name}")
        return replace(self, target)

    monkeypatch.setattr(os, "fsync", watched_fsync)
    monkeypatch.setattr(Path, "replace", watched_replace)
    with atomic_files([tmp_path / "a", tmp_path / "b"]) as parts:
        for part in parts:
            part.write_text("whole")
    assert done == [
        "flush .a.part",
        "flush .b.part",
        "rename .a.part",
        "rename .b.part",
        f"flush {tmp_path.name}",
    ]


def test_what_a_killed_run_left_is_written_over(tmp_path):
    (tmp_path / ".a.wav.part").write_text("a long piece of a killed run")
    with atomic_files([tmp_path / "a.wav"]) as (part,):
        part.write_text("new")
    assert listing(tmp_path) == ["a.wav"]
    assert (tmp_path / "a.wav").read_text() == "new"


@pytest.mark.parametrize(
    ("names", "said"),
    [
        (["a", "b", "a"], "would be written twice"),
        (["nowhere/a"], "nowhere is not a folder"),
        (["folder"], "folder is a folder: choose another name"),
    ],
)
def test_names_that_cannot_be_written_to_are_refused(tmp_path, names, said):
    (tmp_path / "folder").mkdir()
    with (
        pytest.raises(InputError, match=said),
        atomic_files([tmp_path / name for name in names], overwrite=True),
    ):
        pytest.fail("the block was entered")


KILLED_HALFWAY = textwrap.dedent(
    """
    import sys, time
    import numpy as np
    from busproc.files import atomic_files, open_writer

    with atomic_files(sys.argv[1:], overwrite=True) as parts:
        with open_writer(parts[0], "wav", 24, 48000, 2, 200_000) as writer:
            writer.write(np.ones((200_000, 2), np.int32))
        with open_writer(parts[1], "flac", 24, 48000, 2, 200_000) as writer:
            writer.write(np.ones((100_000, 2), np.int32))
            print("halfway", flush=True)
            time.sleep(60)
    """
)


def test_a_run_killed_halfway_leaves_no_file_and_harms_no_old_one(tmp_path):
    finals = [tmp_path / "mix.wav", tmp_path / "mix.flac"]
    finals[0].write_text("old")
    with subprocess.Popen(
        [sys.executable, "-c", KILLED_HALFWAY, *map(str, finals)], stdout=subprocess.PIPE, text=True
    ) as run:
        assert run.stdout.readline() == "halfway\n"
        run.kill()
    assert run.returncode == -9
    assert listing(tmp_path) == [".mix.flac.part", ".mix.wav.part", "mix.wav"]
    assert finals[0].read_text() == "old"

    finished = KILLED_HALFWAY.replace("100_000", "200_000").replace("time.sleep(60)", "pass")
    subprocess.run([sys.executable, "-c", finished, *map(str, finals)], check=True, capture_output=True)
    assert listing(tmp_path) == ["mix.flac", "mix.wav"]
    assert [inspect(path).frames for path in finals] == [200_000, 200_000]
