"""Reading and writing 24-bit WAV beside soundfile, beside numpy alone, and beside a whole chain.

CPU time in turns, on noise at 48 kHz, files in a folder of the system's for temporary files. "Written" is
dithered, quantised, packed and written; soundfile rounds without dither. SHA-256 of a file is told apart.
"""

import numpy as np
import pytest
import soundfile as sf

from benchmarks.test_bench_chain import chain
from benchmarks.yardsticks import RATE_HZ, in_blocks, least_cpu_ns_a_frame, noise, report
from busproc.files import AudioReader, open_writer, quantise, sha256_file
from busproc.files.wave import wave_header

FRAMES_AT_ONCE = 16384
HEADER_BYTES = len(wave_header(24, RATE_HZ, 2, 1))


def blocks_of(sound):
    return [(at, sound[at : at + FRAMES_AT_ONCE]) for at in range(0, len(sound), FRAMES_AT_ONCE)]


def write(path, sound, *, dither=True):
    with open_writer(path, "wav", 24, RATE_HZ, 2, len(sound)) as writer:
        for at, block in blocks_of(sound):
            writer.write(quantise(block, 24, at, dither=dither))


def write_by_soundfile(path, sound):
    with sf.SoundFile(path, "w", RATE_HZ, 2, "PCM_24", format="WAV") as file:
        for _, block in blocks_of(sound):
            file.write(block)


def write_by_numpy(path, sound):
    with path.open("wb") as file:
        for _, block in blocks_of(sound):
            numbers = np.rint(block * 2**23).astype("<i4").view(np.uint8)
            file.write(numbers.reshape(-1, 4)[:, :3].tobytes())


def read(path):
    with AudioReader(path) as reader:
        while len(reader.read(FRAMES_AT_ONCE)):
            pass


def read_by_soundfile(path):
    with sf.SoundFile(path) as file:
        while len(file.read(FRAMES_AT_ONCE)):
            pass


def read_by_numpy(path):
    with path.open("rb") as file:
        file.seek(HEADER_BYTES)
        while packed := file.read(6 * FRAMES_AT_ONCE):
            wide = np.zeros((len(packed) // 3, 4), np.uint8)
            wide[:, 1:] = np.frombuffer(packed, np.uint8).reshape(-1, 3)
            _ = wide.view("<i4") * 2.0**-31


def test_soundfile_reads_what_was_written_and_writes_what_is_read(tmp_path):
    sound = 0.3 * noise()[:100_000]
    write(tmp_path / "ours.wav", sound, dither=False)
    write_by_soundfile(tmp_path / "theirs.wav", sound)
    ours, theirs = sf.read(tmp_path / "ours.wav")[0], sf.read(tmp_path / "theirs.wav")[0]
    assert np.abs(ours - theirs).max() <= 2.0**-23
    with AudioReader(tmp_path / "theirs.wav") as reader:
        np.testing.assert_array_equal(reader.read(len(sound)), theirs)


@pytest.mark.benchmark(group="files")
def test_files(benchmark, tmp_path):
    sound, path, other = 0.3 * noise(), tmp_path / "ours.wav", tmp_path / "theirs.wav"
    run = chain()
    write(path, sound)
    found = least_cpu_ns_a_frame(
        {
            "ours, read": lambda: read(path),
            "soundfile, read": lambda: read_by_soundfile(path),
            "numpy, read": lambda: read_by_numpy(path),
            "ours, written": lambda: write(path, sound),
            "ours, written without dither": lambda: write(path, sound, dither=False),
            "soundfile, written": lambda: write_by_soundfile(other, sound),
            "numpy, written": lambda: write_by_numpy(other, sound),
            "SHA-256": lambda: sha256_file(path),
            "a chain": lambda: in_blocks(run, sound[:, None]),
        },
        rounds=5,
    )
    found["ours, read and written"] = found["ours, read"] + found["ours, written"]
    report(benchmark, "ours, read and written", found)
    benchmark.pedantic(lambda: read(path), rounds=1)
