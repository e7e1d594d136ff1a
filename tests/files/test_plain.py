"""Samples read by our own hand: which files are, what is left to the decoder, and a file that shrinks."""

import os
import struct
from dataclasses import replace

import numpy as np
import pytest
import soundfile as sf

from busproc.errors import AudioFileError
from busproc.files import AudioReader
from busproc.files.plain import start_of_plain_samples
from busproc.files.wave import map_chunks


def start_in(path):
    with AudioReader(path) as reader, path.open("rb") as file:
        return start_of_plain_samples(reader.info, map_chunks(file))


@pytest.mark.parametrize("container", ["WAV", "WAVEX", "RF64"])
@pytest.mark.parametrize("encoding", ["PCM_16", "PCM_24", "PCM_32", "FLOAT"])
def test_plain_samples_start_with_the_data_chunk(sound_file, container, encoding):
    path = sound_file("sound.wav", container, encoding)
    content = path.read_bytes()
    assert start_in(path) == content.index(b"data") + 8


@pytest.mark.parametrize(
    ("container", "encoding"),
    [("WAV", "PCM_U8"), ("WAV", "DOUBLE"), ("AIFF", "PCM_24"), ("W64", "PCM_24"), ("FLAC", "PCM_24")],
)
def test_other_files_are_left_to_the_decoder(sound_file, container, encoding):
    assert start_in(sound_file("sound.bin", container, encoding)) is None


def test_big_endian_wav_is_left_to_the_decoder(tmp_path, noise):
    path = tmp_path / "big.wav"
    sf.write(path, noise, 48_000, "PCM_24", endian="BIG", format="WAV")
    assert path.read_bytes()[:4] == b"RIFX"
    assert start_in(path) is None
    with AudioReader(path) as reader:
        assert np.array_equal(reader.read(len(noise)), noise)


def test_24_bits_in_four_bytes_are_read_as_the_decoder_does(tmp_path):
    stored = np.array([[0x40000000, -0x12345600], [0x100, -0x100]], dtype="<i4").tobytes()
    path = tmp_path / "wide.wav"
    format_ = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, 2, 48_000, 48_000 * 8, 8, 24)
    data = struct.pack("<4sI", b"data", len(stored)) + stored
    path.write_bytes(struct.pack("<4sI4s", b"RIFF", 4 + len(format_) + len(data), b"WAVE") + format_ + data)
    with AudioReader(path) as reader:
        assert np.array_equal(reader.read(2), sf.read(path)[0])


@pytest.mark.parametrize("encoding", ["PCM_16", "PCM_24", "FLOAT"])
def test_a_file_that_shrinks_while_it_is_read_is_named_with_the_place(sound_file, encoding):
    path = sound_file("sound.wav", "WAV", encoding)
    with AudioReader(path) as reader:
        reader.read(1000)
        os.truncate(path, path.stat().st_size // 2)
        with pytest.raises(AudioFileError, match=r"can be read up to frame 1\d{4} "):
            reader.read(24_000)


def test_where_the_header_counts_other_frames_the_decoder_is_trusted(sound_file):
    path = sound_file("sound.wav", "WAV", "PCM_24")
    with AudioReader(path) as reader, path.open("rb") as file:
        fewer = replace(reader.info, frames=reader.info.frames - 1)
        assert start_of_plain_samples(fewer, map_chunks(file)) is None
