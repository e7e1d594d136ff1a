"""The chunk scanner and the header, against files of other hands and Python's own wave module."""

import io
import struct
import wave

import pytest

from busproc.files.wave import map_chunks, wave_header


def names(chunk_map):
    return [chunk.name for chunk in chunk_map.chunks]


@pytest.mark.parametrize(
    ("container", "kind", "expected", "audio"),
    [
        ("WAV", "RIFF", ["fmt ", "data"], "data"),
        ("RF64", "RF64", ["ds64", "fmt ", "data"], "data"),
        ("W64", "riff", ["fmt ", "data"], "data"),
        ("AIFF", "FORM", ["COMM", "SSND"], "SSND"),
        ("FLAC", "fLaC", [], None),
    ],
)
def test_the_chunks_of_each_kind_are_found(sound_file, container, kind, expected, audio):
    path = sound_file("sound", container, "PCM_16")
    with path.open("rb") as file:
        chunk_map = map_chunks(file)
        assert file.tell() == 0
    assert chunk_map.kind == kind
    assert names(chunk_map) == expected
    if audio is not None:
        inner_header_bytes = 8 if audio == "SSND" else 0
        assert chunk_map.audio.name == audio
        assert chunk_map.audio.size == 24_000 * 4 + inner_header_bytes
        assert chunk_map.audio.start + chunk_map.audio.size == chunk_map.file_bytes


def riff(*chunks):
    body = b"".join(
        struct.pack("<4sI", name, len(content)) + content + bytes(len(content) % 2)
        for name, content in chunks
    )
    return b"RIFF" + struct.pack("<I", 4 + len(body)) + b"WAVE" + body


def test_chunks_of_odd_length_are_padded():
    file = io.BytesIO(riff((b"note", b"abc"), (b"data", b"xy"), (b"LIST", b"z")))
    chunk_map = map_chunks(file)
    assert names(chunk_map) == ["note", "data", "LIST"]
    assert [(chunk.start, chunk.size) for chunk in chunk_map.chunks] == [(20, 3), (32, 2), (42, 1)]


def test_the_walk_ends_at_what_is_no_chunk():
    file = io.BytesIO(riff((b"data", b"xy")) + bytes(8_000))
    assert names(map_chunks(file)) == ["data"]


@pytest.mark.parametrize("cut_at", range(0, 60, 3))
def test_a_file_that_ends_anywhere_is_mapped_without_a_fault(cut_at):
    content = riff((b"bext", bytes(20)), (b"data", b"abcdefghijkl"))
    chunk_map = map_chunks(io.BytesIO(content[:cut_at]))
    assert chunk_map.file_bytes == cut_at
    assert names(chunk_map) == ["bext", "data"][: (cut_at >= 20) + (cut_at >= 48)]


@pytest.mark.parametrize("bits", [16, 24, 32])
@pytest.mark.parametrize("channels", [1, 2])
def test_the_header_is_what_the_wave_module_expects(bits, channels):
    header = wave_header(bits, 96_000, channels, 10)
    with wave.open(io.BytesIO(header + bytes(10 * channels * bits // 8))) as file:
        facts = file.getparams()
    assert (facts.nchannels, facts.sampwidth, facts.framerate, facts.nframes) == (
        channels,
        bits // 8,
        96_000,
        10,
    )


@pytest.mark.parametrize(
    ("bits", "fields"),
    [
        (24, (16, 1, 2, 48_000, 288_000, 6, 24)),
        ("32_float", (18, 3, 2, 48_000, 384_000, 8, 32)),
    ],
)
def test_the_format_chunk_says_rate_and_sizes(bits, fields):
    """Length, tag, channels, frames and bytes a second, bytes a frame, bits a sample."""
    header = wave_header(bits, 48_000, 2, 100)
    assert header[48:52] == b"fmt "
    assert struct.unpack_from("<IHHIIHH", header, 52) == fields


def test_the_count_of_frames_stands_beside_floats():
    assert wave_header("32_float", 48_000, 2, 100)[74:86] == b"fact" + struct.pack("<II", 4, 100)


@pytest.mark.parametrize("bits", [16, 24, 32, "32_float"])
def test_a_place_for_64_bit_sizes_comes_first(bits):
    """RF64, EBU Tech 3306: ds64 is the first chunk, 28 bytes long at offset 20."""
    assert wave_header(bits, 48_000, 2, 100)[12:20] == b"JUNK" + struct.pack("<I", 28)


@pytest.mark.parametrize(("bits", "frame_bytes"), [(24, 6), ("32_float", 8)])
def test_a_file_too_long_for_riff_becomes_rf64(bits, frame_bytes):
    """Offsets of riffSize, dataSize and sampleCount in ds64 as libsndfile 1.2.2 writes them: 20, 28, 36."""
    frames = 1_000_000_000
    header = wave_header(bits, 48_000, 2, frames)
    assert len(header) == len(wave_header(bits, 48_000, 2, 1))
    assert header[:20] == b"RF64" + b"\xff" * 4 + b"WAVEds64" + struct.pack("<I", 28)
    assert struct.unpack("<QQQI", header[20:48]) == (
        len(header) - 8 + frames * frame_bytes,
        frames * frame_bytes,
        frames,
        0,
    )
    assert header[-8:] == b"data" + b"\xff" * 4


def test_riff_is_left_at_the_first_byte_it_cannot_count():
    most = (2**32 - 1 - (len(wave_header(16, 48_000, 1, 0)) - 8)) // 2
    assert wave_header(16, 48_000, 1, most)[:4] == b"RIFF"
    assert wave_header(16, 48_000, 1, most + 1)[:4] == b"RF64"
