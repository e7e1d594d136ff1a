"""Files that cannot be taken: each is refused with one text that says what, where and how to mend it."""

import os
import re
import struct
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from busproc.errors import AudioFileError
from busproc.files import AudioReader, inspect

RATE_HZ = 48_000
FRAMES = 24_000
FRAME_BYTES = 6  # 24-bit stereo
W64_GUID_TAIL = bytes.fromhex("f3acd3118cd100c04f8edb8a")  # after "data", as libsndfile 1.2.2 writes it


def read_all(path, frames=1000):
    blocks = []
    with AudioReader(path) as reader:
        while len(block := reader.read(frames)):
            blocks.append(block)
    return np.concatenate(blocks)


def refused(path, frames=1000):
    """Give what is said when the file is opened and read; it must name the file."""
    with pytest.raises(AudioFileError, match=re.escape(str(path))) as caught:
        read_all(path, frames)
    return str(caught.value)


def test_a_missing_file_is_named(tmp_path):
    assert "does not exist: check the name" in refused(tmp_path / "nowhere.wav")


def test_a_folder_is_not_a_file(tmp_path):
    assert "is a folder" in refused(tmp_path)


def test_a_pipe_is_refused_without_waiting_for_it(tmp_path):
    os.mkfifo(tmp_path / "pipe.wav")
    assert "is not a regular file" in refused(tmp_path / "pipe.wav")


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "is empty (0 bytes)"),
        (b"Hall, second take.\nToo loud.\r\n" * 50, "is text, not audio: busproc reads WAV"),
        ("Gläser, zweite Probe\n".encode(), "is text, not audio"),
        (np.random.default_rng(1).bytes(50_000), "is not audio that can be read: busproc reads WAV"),
        (b"RIFF\x00\x00\x00\x00WAVEfmt \x00\x00\x00\x00", "starts like an audio file but cannot be read"),
        (b"fLaC" + bytes(100), "starts like an audio file but cannot be read"),
    ],
)
def test_what_is_not_audio_is_called_what_it_is(tmp_path, content, said):
    path = tmp_path / "odd.wav"
    path.write_bytes(content)
    assert said in refused(path)


@pytest.mark.parametrize("container", ["WAV", "WAVEX", "RF64", "W64", "AIFF"])
@pytest.mark.parametrize("missing", [1, 4_800, FRAMES - 1])
def test_a_truncated_file_is_refused_with_its_shortfall(sound_file, container, missing):
    path = sound_file("cut", container, "PCM_24")
    os.truncate(path, path.stat().st_size - missing * FRAME_BYTES)
    assert (
        f"is cut short: {missing} frames ({missing / RATE_HZ:.3f} s) are missing of the 24000 (0.500 s)"
    ) in refused(path)


def test_one_missing_byte_is_one_missing_frame(sound_file):
    path = sound_file("cut.wav", "WAV", "PCM_24")
    os.truncate(path, path.stat().st_size - 1)
    assert "is cut short: 1 frames" in refused(path)


@pytest.mark.parametrize("encoding", ["PCM_U8", "PCM_16", "PCM_32", "FLOAT", "DOUBLE", "ULAW"])
def test_the_shortfall_is_right_for_every_sample_size(sound_file, encoding):
    path = sound_file("cut.wav", "WAV", encoding)
    sample_bytes = {"PCM_U8": 1, "PCM_16": 2, "PCM_32": 4, "FLOAT": 4, "DOUBLE": 8, "ULAW": 1}[encoding]
    os.truncate(path, path.stat().st_size - 480 * 2 * sample_bytes)
    assert "is cut short: 480 frames (0.010 s)" in refused(path)


def test_a_lost_chunk_after_the_audio_does_no_harm(sound_file, noise):
    path = sound_file("take.wav", "WAV", "PCM_24")
    path.write_bytes(path.read_bytes() + struct.pack("<4sI", b"LIST", 4000) + b"INFO")
    assert np.array_equal(read_all(path), noise)


def test_a_missing_pad_byte_does_no_harm(sound_file, noise):
    mono = noise[:101, :1].copy()
    path = sound_file("odd.wav", "WAV", "PCM_24", mono)
    assert path.stat().st_size % 2 == 0
    os.truncate(path, path.stat().st_size - 1)
    assert np.array_equal(read_all(path), mono)


def without_data_size(content, marker, size_bytes):
    at = content.index(marker) + len(marker)
    return content[:at] + bytes(size_bytes) + content[at + size_bytes :]


@pytest.mark.parametrize(
    ("container", "marker", "size_bytes"),
    [
        ("WAV", b"data", 4),
        ("WAVEX", b"data", 4),
        ("RF64", b"data", 4),
        ("AIFF", b"SSND", 4),
        ("W64", b"data" + W64_GUID_TAIL, 8),
    ],
)
def test_a_file_whose_recorder_crashed_is_recognised(sound_file, container, marker, size_bytes):
    path = sound_file("crash", container, "PCM_24")
    path.write_bytes(without_data_size(path.read_bytes(), marker, size_bytes))
    assert "holds no audio, but 24000 frames (0.500 s) follow: the recorder did not finish it" in refused(
        path
    )


def test_a_crashed_recording_that_begins_with_silence_is_recognised_at_once(tmp_path):
    path = tmp_path / "crash.wav"
    sf.write(path, np.zeros((1_000_000, 2)), RATE_HZ, "PCM_24")
    path.write_bytes(without_data_size(path.read_bytes(), b"data", 4))
    assert "but 1000000 frames (20.833 s) follow" in refused(path)


@pytest.mark.parametrize("container", ["WAV", "AIFF", "W64"])
def test_a_file_without_audio_is_refused(tmp_path, container):
    path = tmp_path / "none"
    sf.write(path, np.zeros((0, 2)), RATE_HZ, "PCM_24", format=container)
    assert "holds no audio" in refused(path)


def test_a_wav_file_beyond_4_gib_is_refused(sound_file):
    path = sound_file("long.wav", "WAV", "PCM_24")
    os.truncate(path, 2**32 + 100)  # a hole: it takes no room
    assert "longer than the 4 GiB that a WAV header can count" in refused(path)


def test_a_bw64_file_is_refused_with_what_to_make_of_it(sound_file):
    path = sound_file("adm.wav", "RF64", "PCM_24")
    path.write_bytes(b"BW64" + path.read_bytes()[4:])
    assert "export it again; busproc reads WAV, RF64" in refused(path)


def frame_reached(text):
    return int(re.search(r"can be read up to frame (\d+) \(\d+\.\d{3} s\) of 24000 \(0\.500 s\)", text)[1])


@pytest.mark.parametrize("frames", [64, 1000, FRAMES])
def test_a_damaged_flac_file_is_read_up_to_the_fault(sound_file, noise, frames):
    path = sound_file("damaged.flac", "FLAC", "PCM_24")
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 0x55
    path.write_bytes(content)

    reached = frame_reached(refused(path, frames))
    assert 0.5 * FRAMES - 4608 <= reached <= 0.5 * FRAMES + 4608  # one FLAC frame, 4096, and some
    with AudioReader(path) as reader:
        assert np.array_equal(reader.read(reached), noise[:reached])


def test_a_cut_flac_file_says_how_far_it_reaches(sound_file):
    path = sound_file("cut.flac", "FLAC", "PCM_24")
    os.truncate(path, path.stat().st_size // 3)
    assert FRAMES / 3 - 4608 <= frame_reached(refused(path)) <= FRAMES / 3


def test_a_flac_file_without_a_length_is_refused(sound_file):
    path = sound_file("piped.flac", "FLAC", "PCM_24")
    content = bytearray(path.read_bytes())
    content[21] &= 0xF0  # RFC 9639, section 8.2: 36 bits of total samples, 0 where unknown
    content[22:26] = bytes(4)
    path.write_bytes(content)
    assert "does not say how long it is" in refused(path)


@pytest.mark.parametrize("encoding", ["VORBIS", "OPUS"])
def test_a_cut_ogg_file_is_refused(sound_file, encoding):
    path = sound_file("cut.ogg", "OGG", encoding)
    os.truncate(path, path.stat().st_size * 2 // 3)
    assert "is cut short: its last page is missing or not whole" in refused(path)


@pytest.mark.parametrize("encoding", ["VORBIS", "OPUS"])
def test_an_ogg_file_cut_between_two_pages_is_refused(sound_file, noise, encoding):
    path = sound_file("cut.ogg", "OGG", encoding, np.tile(noise, (8, 1)))
    os.truncate(path, path.read_bytes().rindex(b"OggS"))
    assert "is cut short: its last page is missing or not whole" in refused(path)


def test_a_cut_mp3_file_is_refused_where_it_ends(sound_file):
    path = sound_file("cut.mp3", "MP3", "MPEG_LAYER_III")
    os.truncate(path, path.stat().st_size // 2)
    reached = frame_reached(refused(path))
    assert FRAMES / 4 < reached < FRAMES * 3 / 4


def test_three_channels_are_refused(sound_file):
    path = sound_file("three.wav", "WAV", "PCM_16", np.zeros((10, 3)))
    assert "has 3 channels; busproc takes one or two: split it" in refused(path)


@pytest.mark.parametrize("rate_hz", [7_999, 384_001])
def test_a_rate_out_of_range_is_refused(sound_file, rate_hz):
    path = sound_file("rate.wav", "WAV", "PCM_16", rate_hz=rate_hz)
    assert f"has a rate of {rate_hz} Hz; busproc takes 8000 to 384000 Hz: convert it" in refused(path)


@pytest.mark.parametrize("rate_hz", [8_000, 384_000])
def test_the_ends_of_the_range_of_rates_are_taken(sound_file, rate_hz):
    assert inspect(sound_file("rate.wav", "WAV", "PCM_16", rate_hz=rate_hz)).rate_hz == rate_hz


@pytest.mark.parametrize(("container", "encoding"), [("CAF", "PCM_16"), ("AU", "PCM_16")])
def test_a_container_whose_length_is_not_checked_is_refused(sound_file, container, encoding):
    assert f"is of kind {container}; busproc reads WAV" in refused(sound_file("odd", container, encoding))


@pytest.mark.parametrize("encoding", ["MS_ADPCM", "GSM610"])
def test_a_compressed_wav_file_is_refused(sound_file, noise, encoding):
    path = sound_file("phone.wav", "WAV", encoding, noise[:, :1].copy())
    assert f"holds samples coded as {encoding}" in refused(path)


@pytest.mark.parametrize(
    ("value", "what"), [(np.nan, "NaN"), (np.inf, "an infinite value"), (-np.inf, "an infinite value")]
)
@pytest.mark.parametrize("encoding", ["FLOAT", "DOUBLE"])
@pytest.mark.parametrize("container", ["WAV", "AIFF"])
def test_what_is_no_number_is_refused_with_channel_and_time(
    sound_file, noise, container, encoding, value, what
):
    block = noise.copy()
    block[12_345, 1] = value
    block[12_346, 0] = value
    text = refused(sound_file("nan", container, encoding, block))
    assert f"holds {what}" in text
    assert "in channel 2 at frame 12345 (0.257 s)" in text


def open_descriptors():
    return len(list(Path("/proc/self/fd").iterdir()))


def test_a_refused_file_is_closed(sound_file):
    path = sound_file("three.wav", "WAV", "PCM_16", np.zeros((10, 3)))
    before = open_descriptors()
    for _ in range(3):
        refused(path)
    assert open_descriptors() == before


@pytest.mark.skipif(sys.platform == "win32", reason="the limit is set through a POSIX call")
def test_too_many_open_files_are_told_as_that(tmp_path):
    import resource

    path = tmp_path / "a.wav"
    sf.write(path, np.zeros((10, 2)), 48000)
    before = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (3, before[1]))
    try:
        with pytest.raises(AudioFileError, match=r"Too many open files\): allow more \(ulimit -n\)"):
            AudioReader(path)
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, before)
