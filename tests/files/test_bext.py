"""Broadcast Wave: what stands in the bext chunk, read by wavinfo."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile as sf
from wavinfo import WavInfoReader

from busproc.files import open_writer
from busproc.files.bext import Broadcast, stamp_loudness

SOUND = np.arange(-300, 300, dtype=np.int32).reshape(-1, 2)
HISTORY = "A=PCM,F=48000,W=24,M=stereo,T=made by a test\r\n"
TOLD = Broadcast("Harbour Lamps, the mix", "busproc", "ABC 1", "2026-01-31", 123_456_789_012, HISTORY)


def written(path, broadcast=TOLD, bits=24):
    block = SOUND if bits != "32_float" else SOUND / 1000.0
    with open_writer(path, "wav", bits, 48000, 2, len(SOUND), broadcast) as writer:
        writer.write(block)
    return path


@pytest.mark.parametrize("bits", [16, 24, 32, "32_float"])
def test_what_it_says_is_what_wavinfo_reads(tmp_path, bits):
    bext = WavInfoReader(str(written(tmp_path / "a.wav", bits=bits))).bext
    assert bext.description == TOLD.description
    assert bext.originator == "busproc"
    assert bext.originator_ref == "ABC 1"
    assert bext.originator_date == "2026-01-31"
    assert bext.time_reference == TOLD.time_reference_frames
    assert bext.version == 2
    assert bext.coding_history == HISTORY
    assert sf.info(tmp_path / "a.wav").frames == len(SOUND)


@pytest.mark.parametrize("history", [HISTORY, HISTORY + "x"])
def test_samples_are_read_behind_it_whatever_its_length(tmp_path, history):
    path = written(tmp_path / "a.wav", Broadcast(coding_history=history))
    np.testing.assert_array_equal(sf.read(path, dtype="int32")[0] >> 8, SOUND)


def test_loudness_is_unset_until_it_is_stamped(tmp_path):
    path = written(tmp_path / "a.wav")
    assert WavInfoReader(str(path)).bext.loudness_value == pytest.approx(0x7FFF / 100)
    before = path.read_bytes()
    stamp_loudness(path, -14.03, 6.2, -1.05, -10.1, None)
    bext = WavInfoReader(str(path)).bext
    assert bext.loudness_value == pytest.approx(-14.03)
    assert bext.loudness_range == pytest.approx(6.2)
    assert bext.max_true_peak == pytest.approx(-1.05)
    assert bext.max_momentary_loudness == pytest.approx(-10.1)
    assert bext.max_shortterm_loudness == pytest.approx(0x7FFF / 100)
    after = path.read_bytes()
    assert sum(a != b for a, b in zip(before, after, strict=True)) <= 8


def test_a_file_without_the_chunk_is_left_as_it_is(tmp_path):
    path = written(tmp_path / "a.wav", None)
    before = path.read_bytes()
    stamp_loudness(path, -14.0, 6.0, -1.0, -10.0, -12.0)
    assert path.read_bytes() == before


def test_text_is_cut_and_letters_that_do_not_fit_are_replaced(tmp_path):
    bext = WavInfoReader(str(written(tmp_path / "a.wav", Broadcast("Ä" + "x" * 300, "y" * 40)))).bext
    assert bext.description == "?" + "x" * 255
    assert bext.originator == "y" * 32
