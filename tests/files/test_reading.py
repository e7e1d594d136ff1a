"""Reading whole, sound files: the samples and facts that soundfile and wavinfo find too."""

import struct

import numpy as np
import pytest
import soundfile as sf
from wavinfo import WavInfoReader

from busproc.files import AudioReader, inspect

WHOLE = 1 << 20
LOSSLESS = [
    ("WAV", "PCM_U8"),
    ("WAV", "PCM_16"),
    ("WAV", "PCM_24"),
    ("WAV", "PCM_32"),
    ("WAV", "FLOAT"),
    ("WAV", "DOUBLE"),
    ("WAVEX", "PCM_24"),
    ("RF64", "PCM_24"),
    ("W64", "PCM_24"),
    ("W64", "FLOAT"),
    ("AIFF", "PCM_16"),
    ("AIFF", "PCM_24"),
    ("AIFF", "FLOAT"),
    ("FLAC", "PCM_16"),
    ("FLAC", "PCM_24"),
]
LOSSY = [("OGG", "VORBIS"), ("OGG", "OPUS"), ("MP3", "MPEG_LAYER_III")]


def read_in_blocks(path, frames):
    blocks = []
    with AudioReader(path) as reader:
        while len(block := reader.read(frames)):
            blocks.append(block)
    return np.concatenate(blocks)


@pytest.mark.parametrize(("container", "encoding"), LOSSLESS + LOSSY)
def test_a_file_is_described_and_read_as_soundfile_does(sound_file, container, encoding):
    path = sound_file("sound.bin", container, encoding)
    expected, facts = sf.read(path), sf.info(path)

    info = inspect(path)

    assert info.path == path
    assert (info.rate_hz, info.channels, info.frames) == (facts.samplerate, facts.channels, facts.frames)
    assert (info.container, info.encoding) == (container.lower(), encoding.lower())
    assert info.time_reference_frames is None
    assert np.array_equal(read_in_blocks(path, WHOLE), expected[0])


@pytest.mark.parametrize(("container", "encoding"), [("WAV", "PCM_24"), ("FLAC", "PCM_24"), *LOSSY])
@pytest.mark.parametrize("frames", [64, 1000, 4096])
def test_block_size_does_not_matter(sound_file, container, encoding, frames):
    path = sound_file("sound.bin", container, encoding)
    assert np.array_equal(read_in_blocks(path, frames), read_in_blocks(path, WHOLE))


@pytest.mark.parametrize("container", ["WAV", "FLAC", "AIFF", "W64", "RF64"])
def test_24_bit_integers_are_read_exactly(tmp_path, container):
    integers = np.array([[-(2**23), 2**23 - 1], [-1, 1], [0, 12345]])
    path = tmp_path / "exact"
    sf.write(path, (integers << 8).astype(np.int32), 48_000, "PCM_24", format=container)
    with AudioReader(path) as reader:
        assert np.array_equal(reader.read(WHOLE), integers / 2**23)


def test_blocks_are_short_only_at_the_end_and_then_empty(sound_file, noise):
    with AudioReader(sound_file("mono.wav", "WAV", "PCM_24", noise[:10, :1].copy())) as reader:
        blocks = [reader.read(4) for _ in range(5)]
    assert [block.shape for block in blocks] == [(4, 1), (4, 1), (2, 1), (0, 1), (0, 1)]
    assert all(block.dtype == np.float64 and block.flags.c_contiguous for block in blocks)


@pytest.mark.parametrize(
    ("encoding", "smallest"),
    [("FLOAT", float(np.finfo(np.float32).smallest_subnormal)), ("DOUBLE", 5e-324)],
)
def test_denormals_pass_unharmed(sound_file, encoding, smallest):
    block = np.array([[smallest, -smallest], [3 * smallest, 0.0]])
    with AudioReader(sound_file("tiny.wav", "WAV", encoding, block)) as reader:
        assert np.array_equal(reader.read(WHOLE), block)


def test_floats_over_full_scale_pass_unharmed(sound_file):
    block = np.array([[1.5, -4.0]])
    with AudioReader(sound_file("hot.wav", "WAV", "FLOAT", block)) as reader:
        assert np.array_equal(reader.read(WHOLE), block)


def test_the_name_does_not_decide_what_a_file_is(sound_file):
    assert inspect(sound_file("misnamed.raw", "FLAC", "PCM_16")).container == "flac"


def test_a_path_may_be_text_and_hold_any_letters(sound_file):
    path = sound_file("mélange 混 音.wav", "WAV", "PCM_16")
    assert inspect(str(path)).frames == 24_000


def with_bext(wav, content):
    """Put a bext chunk before the fmt chunk of a WAV or RF64 file's bytes and mend its size."""
    at = wav.index(b"fmt ")
    wav = wav[:at] + struct.pack("<4sI", b"bext", len(content)) + content + wav[at:]
    if wav[:4] == b"RF64":
        return wav[:20] + struct.pack("<Q", len(wav) - 8) + wav[28:]
    return wav[:4] + struct.pack("<I", len(wav) - 8) + wav[8:]


def bext(time_reference_frames):
    """Version 2, EBU Tech 3285 v2: the time reference stands at 338, after 256 + 32 + 32 + 10 + 8 bytes."""
    return struct.pack("<256s32s32s10s8sQH254x", b"", b"", b"", b"", b"", time_reference_frames, 2)


@pytest.mark.parametrize("container", ["WAV", "WAVEX", "RF64"])
@pytest.mark.parametrize("time_reference_frames", [0, 172_800_000, 2**32 + 5])
def test_the_time_reference_is_the_one_wavinfo_finds(sound_file, noise, container, time_reference_frames):
    path = sound_file("take.wav", container, "PCM_24")
    path.write_bytes(with_bext(path.read_bytes(), bext(time_reference_frames)))

    assert WavInfoReader(str(path)).bext.time_reference == time_reference_frames
    assert inspect(path).time_reference_frames == time_reference_frames
    assert np.array_equal(read_in_blocks(path, WHOLE), noise)


def test_a_bext_chunk_too_short_for_a_time_reference_is_passed_over(sound_file):
    path = sound_file("take.wav", "WAV", "PCM_24")
    path.write_bytes(with_bext(path.read_bytes(), bytes(340)))
    assert inspect(path).time_reference_frames is None
