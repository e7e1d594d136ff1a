"""Tags of FLAC files, read by soundfile; the audio stays."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile as sf

from busproc.files import open_writer
from busproc.files.flac_tags import write_flac_tags

SOUND = np.random.default_rng(1).integers(-30000, 30000, (9000, 2), dtype=np.int32)


@pytest.fixture
def flac(tmp_path):
    path = tmp_path / "a.flac"
    with open_writer(path, "flac", 16, 44100, 2, len(SOUND)) as writer:
        writer.write(SOUND)
    return path


def test_tags_are_those_that_soundfile_reads_and_the_audio_stays(flac):
    write_flac_tags(flac, {"TITLE": "Harbour Lämps", "TRACKNUMBER": "3", "ISRC": "XX1232600001"}, "busproc 1")
    with sf.SoundFile(flac) as file:
        assert file.title == "Harbour Lämps"
        assert file.tracknumber == "3"
        np.testing.assert_array_equal(file.read(dtype="int16"), SOUND)
    assert b"ISRC=XX1232600001" in flac.read_bytes()
    assert [file.name for file in flac.parent.iterdir()] == ["a.flac"]


def test_tags_written_again_take_the_place_of_the_old(flac):
    write_flac_tags(flac, {"TITLE": "One"}, "busproc 1")
    once = flac.read_bytes()
    write_flac_tags(flac, {"TITLE": "Two"}, "busproc 1")
    assert b"One" not in flac.read_bytes()
    write_flac_tags(flac, {"TITLE": "One"}, "busproc 1")
    assert flac.read_bytes() == once


def test_another_kind_of_file_is_refused(tmp_path):
    (tmp_path / "a.flac").write_bytes(b"RIFF....WAVE")
    with pytest.raises(ValueError, match="no FLAC file"):
        write_flac_tags(tmp_path / "a.flac", {}, "busproc")
    assert (tmp_path / "a.flac").read_bytes() == b"RIFF....WAVE"
