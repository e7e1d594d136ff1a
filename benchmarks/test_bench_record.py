"""Two workers on a record of eight songs, beside what two busy loops that share nothing gain here.

Both are wall-clock times of one worker over that of two, taken in turns; others may use the machine, so what
counts is the ratio of the two gains. Memory: a catalogue of many short songs beside one of few.
"""

import json
import subprocess
import sys
import time

import numpy as np
import pytest

from busproc.album.rendering import render_album
from busproc.engine import Engine
from busproc.files import open_writer, quantise
from busproc.presets import preset_path

RATE_HZ = 48000
BUSY = "x = 0\nfor n in range(20_000_000):\n    x += n * n % 7\n"
ROUNDS = 1


def album_of(folder, songs, seconds):
    """Songs of three stems of noise through a preset."""
    for song in range(songs):
        home = folder / f"song_{song}"
        home.mkdir(parents=True)
        for stem in range(3):
            rng = np.random.default_rng(10 * song + stem)
            sound = 0.1 * rng.standard_normal((round(seconds * RATE_HZ), 2)).clip(-3, 3)
            with open_writer(home / f"{stem}.wav", "wav", 24, RATE_HZ, 2, len(sound)) as writer:
                writer.write(quantise(sound, 24, 0, dither=False))
        session = {
            "format": "busproc-session/1",
            "song": f"Song {song}",
            "stems": [{"name": f"stem {n}", "file": f"{n}.wav"} for n in range(3)],
        }
        (home / "session.json").write_text(json.dumps(session))
    (folder / "chain.json").write_text(preset_path("open_and_gentle").read_text())
    album = {
        "format": "busproc-album/1",
        "album": "Eight",
        "chain": "chain.json",
        "songs": [{"session": f"song_{n}/session.json"} for n in range(songs)],
        "deliver": [{"bits": 24}],
    }
    (folder / "album.json").write_text(json.dumps(album))
    return folder / "album.json"


def busy(workers):
    """Wall-clock time of two loops, one after the other or both at once."""
    started = time.perf_counter()
    for _ in range(2 // workers):
        loops = [subprocess.Popen([sys.executable, "-c", BUSY]) for _ in range(workers)]
        for loop in loops:
            loop.wait()
    return time.perf_counter() - started


def record(album, out, engine):
    started = time.perf_counter()
    render_album(album, out, engine=engine)
    return time.perf_counter() - started


@pytest.mark.parametrize("processes", [False, True], ids=["threads", "processes"])
def test_two_workers_on_eight_songs(benchmark, tmp_path, processes):
    render_album(album_of(tmp_path / "first", songs=1, seconds=2), tmp_path / "warm")
    album = album_of(tmp_path / "record", songs=8, seconds=90)
    times = {1: [], 2: []}
    loops = {1: [], 2: []}
    for turn in range(ROUNDS):
        for workers in (1, 2):
            engine = Engine(jobs=workers, processes=processes)
            loops[workers].append(busy(workers))
            times[workers].append(record(album, tmp_path / f"out_{turn}_{workers}", engine))
    gain, busy_gain = (min(each[1]) / min(each[2]) for each in (times, loops))
    benchmark.extra_info |= {"gain": gain, "busy_loops": busy_gain, "of_busy_loops": gain / busy_gain}
    print(f"\ntwo workers: {gain:.2f} x, two busy loops: {busy_gain:.2f} x, ratio {gain / busy_gain:.2f}")
    benchmark.pedantic(lambda: None, rounds=1)


PEAK = """
import resource, sys
from busproc.album.rendering import render_album
from busproc.engine import Engine
render_album(sys.argv[1], sys.argv[2], engine=Engine(jobs=2))
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024)
"""


def peak_mb(album, out):
    done = subprocess.run(
        [sys.executable, "-c", PEAK, album, out], capture_output=True, text=True, check=True
    )
    return int(done.stdout)


def test_memory_of_a_catalogue(benchmark, tmp_path):
    few = peak_mb(album_of(tmp_path / "few", songs=20, seconds=1.0), tmp_path / "few_out")
    many = peak_mb(album_of(tmp_path / "many", songs=200, seconds=1.0), tmp_path / "many_out")
    benchmark.extra_info |= {"20_songs_mb": few, "200_songs_mb": many}
    print(f"\n20 songs: {few} MB, 200 songs: {many} MB")
    benchmark.pedantic(lambda: None, rounds=1)
