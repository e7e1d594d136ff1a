"""Writing: the samples given, the same bytes each time, and nothing that the format cannot hold."""

import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from busproc.errors import InputError, RenderError
from busproc.files import AudioReader, inspect, open_writer
from busproc.files import wave as wave_file

RATE_HZ = 48_000
INTEGER_FORMATS = [("wav", 16), ("wav", 24), ("wav", 32), ("flac", 16), ("flac", 24)]
FORMATS = [*INTEGER_FORMATS, ("wav", "32_float")]


def material(bits, frames=5_000, channels=2):
    """Give samples of the type that a format takes, both ends of its range among them."""
    random = np.random.default_rng(3)
    if bits == "32_float":
        return random.normal(0, 0.5, (frames, channels))
    high = 2 ** (bits - 1)
    block = random.integers(-high, high, (frames, channels)).astype(np.int32)
    block[0], block[-1] = -high, high - 1
    return block


def write(path, container, bits, block, block_frames=1_000):
    frames, channels = block.shape
    with open_writer(path, container, bits, RATE_HZ, channels, frames) as writer:
        for start in range(0, frames, block_frames):
            writer.write(block[start : start + block_frames])
    return path


@pytest.mark.parametrize(("container", "bits"), INTEGER_FORMATS)
@pytest.mark.parametrize("channels", [1, 2])
def test_integers_are_written_exactly(tmp_path, container, bits, channels):
    block = material(bits, channels=channels)
    path = write(tmp_path / "out", container, bits, block)
    assert np.array_equal(sf.read(path, dtype="int32", always_2d=True)[0] >> (32 - bits), block)
    info = inspect(path)
    assert (info.container, info.encoding, info.frames) == (container, f"pcm_{bits}", len(block))


@pytest.mark.parametrize("channels", [1, 2])
def test_floats_are_written_as_float32(tmp_path, channels):
    block = material("32_float", channels=channels)
    block[7, 0] = 1e-42  # a float32 denormal
    path = write(tmp_path / "out.wav", "wav", "32_float", block)
    assert np.array_equal(sf.read(path, always_2d=True)[0], block.astype(np.float32).astype(np.float64))
    assert inspect(path).encoding == "float"


@pytest.mark.parametrize(("container", "bits"), FORMATS)
def test_the_same_samples_give_the_same_bytes_in_any_blocks(tmp_path, container, bits):
    block = material(bits)
    whole = write(tmp_path / "whole", container, bits, block, len(block)).read_bytes()
    for block_frames in (7, 64, 1_000, 4_096):
        assert write(tmp_path / "part", container, bits, block, block_frames).read_bytes() == whole


@pytest.mark.parametrize("bits", [16, 24, 32, "32_float"])
def test_a_wav_file_holds_no_chunk_that_could_carry_a_time(tmp_path, bits):
    path = write(tmp_path / "out.wav", "wav", bits, material(bits))
    with path.open("rb") as file:
        chunks = [chunk.name for chunk in wave_file.map_chunks(file).chunks]
    assert [name for name in chunks if name != "fact"] == ["JUNK", "fmt ", "data"]


@pytest.mark.parametrize("frames", [4, 5])
def test_audio_of_odd_length_is_padded(tmp_path, frames):
    block = material(24, frames, channels=1)
    content = write(tmp_path / "odd.wav", "wav", 24, block).read_bytes()
    assert len(content) == 80 + frames * 3 + frames % 2
    assert struct.unpack_from("<I", content, 4) == (len(content) - 8,)
    assert struct.unpack_from("<I", content, 76) == (frames * 3,)


@pytest.mark.parametrize("bits", [16, 24, 32, "32_float"])
def test_a_file_over_the_limit_of_riff_is_read_back_from_rf64(tmp_path, monkeypatch, bits):
    block = material(bits, 5_001, channels=1)
    short = write(tmp_path / "short.wav", "wav", bits, block)
    monkeypatch.setattr(wave_file, "MAX_RIFF_BYTES", 10_000)
    long = write(tmp_path / "long.wav", "wav", bits, block)

    assert sf.info(long).format == "RF64"
    assert np.array_equal(sf.read(long)[0], sf.read(short)[0])
    with AudioReader(long) as reader:
        assert reader.info.frames == 5_001
        assert np.array_equal(reader.read(6_000)[:, 0], sf.read(short)[0])
    assert struct.unpack_from("<Q", long.read_bytes(), 20) == (long.stat().st_size - 8,)
    assert long.read_bytes()[-5_001:] == short.read_bytes()[-5_001:]
    assert long.stat().st_size == short.stat().st_size


@pytest.mark.parametrize("bits", [32, "32_float"])
def test_flac_refuses_what_it_cannot_hold(tmp_path, bits):
    with pytest.raises(InputError, match="choose 16 or 24 bits, or WAV"):
        open_writer(tmp_path / "out.flac", "flac", bits, RATE_HZ, 2, 10)


@pytest.mark.parametrize("container", ["wav", "flac"])
def test_a_file_of_no_length_is_refused(tmp_path, container):
    with pytest.raises(InputError, match=r"no audio to write \(0 frames\)"):
        open_writer(tmp_path / "out", container, 16, RATE_HZ, 2, 0)


def writer_of(path, bits, frames=10):
    return open_writer(path, "wav", bits, RATE_HZ, 2, frames)


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, 1e39])
def test_a_float_that_the_file_cannot_hold_is_refused(tmp_path, value):
    block = np.zeros((48, 2))
    block[24, 1] = value
    with writer_of(tmp_path / "out.wav", "32_float", 96) as writer:
        writer.write(np.zeros((48, 2)))
        with pytest.raises(RenderError, match=r"cannot hold the value .* for channel 2 at 0\.002 s"):
            writer.write(block)
        writer.write(np.zeros((48, 2)))


@pytest.mark.parametrize("container", ["wav", "flac"])
@pytest.mark.parametrize("bits", [16, 24])
def test_an_integer_out_of_range_is_refused_instead_of_wrapped(tmp_path, container, bits):
    for value in (2 ** (bits - 1), -(2 ** (bits - 1)) - 1):
        with open_writer(tmp_path / "out", container, bits, RATE_HZ, 1, 1) as writer:
            with pytest.raises(RenderError, match=f"cannot hold the value {value} "):
                writer.write(np.array([[value]], np.int32))
            writer.write(np.zeros((1, 1), np.int32))


@pytest.mark.parametrize(
    ("bits", "block"),
    [
        (24, np.zeros((10, 2))),
        ("32_float", np.zeros((10, 2), np.int32)),
        (24, np.zeros((10, 1), np.int32)),
        (24, np.zeros(20, np.int32)),
    ],
)
def test_another_type_or_shape_is_refused(tmp_path, bits, block):
    with writer_of(tmp_path / "out.wav", bits) as writer:
        with pytest.raises(TypeError, match=r"takes .* of shape \(frames, 2\), not"):
            writer.write(block)
        writer.write(material(bits, 10))


def test_too_many_frames_are_refused_at_once(tmp_path):
    with writer_of(tmp_path / "out.wav", 16) as writer:
        writer.write(material(16, 10))
        with pytest.raises(RenderError, match="longer than the 10 frames announced"):
            writer.write(material(16, 1))


@pytest.mark.parametrize(("container", "bits"), FORMATS)
def test_too_few_frames_are_refused_at_the_end(tmp_path, container, bits):
    writer = open_writer(tmp_path / "out", container, bits, RATE_HZ, 2, 10)
    with pytest.raises(RenderError, match="got 9 frames, not the 10 announced"), writer:
        writer.write(material(bits, 9))


@pytest.mark.parametrize("container", ["wav", "flac"])
def test_a_fault_inside_the_block_is_the_one_reported(tmp_path, container):
    def divide():
        with open_writer(tmp_path / "out", container, 16, RATE_HZ, 2, 10) as writer:
            writer.write(material(16, 5))
            _ = 1 / 0

    with pytest.raises(ZeroDivisionError):
        divide()


@pytest.mark.parametrize("container", ["wav", "flac"])
def test_a_folder_that_does_not_exist_is_reported(tmp_path, container):
    writer = open_writer(tmp_path / "nowhere" / "out", container, 16, RATE_HZ, 2, 10)
    with pytest.raises(RenderError, match="could not be written"):
        writer.__enter__()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs the device that is always full")
@pytest.mark.parametrize(("container", "bits"), FORMATS)
@pytest.mark.parametrize("frames", [10, 50_000])
def test_a_full_disk_is_reported(container, bits, frames):
    """A short file fails at the end, when it is flushed, a long one on the way."""
    writer = open_writer("/dev/full", container, bits, RATE_HZ, 2, frames)
    with pytest.raises(RenderError, match="/dev/full could not be written"), writer:
        writer.write(material(bits, frames))
