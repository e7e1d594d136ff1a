"""Variations that differ only at the end of a chain, beside as many renders of the whole song.

Both are CPU times of one process, taken in turns. Ours is the rendering of a shootout, without what it then
measures and writes; the yardstick renders the song, stems and whole chain, for each variation.
"""

import json
import time

import numpy as np
import pytest

from busproc.engine import Engine, crew_of
from busproc.known import Known
from busproc.progress import jobs_silently
from busproc.shootouts.loading import load_shootout
from busproc.shootouts.running import Running
from busproc.through import entrance_of, through
from tests.songs import noise, write_session

CHAIN = [
    {"stage": "eq", "bands": [{"shape": "bell", "freq_hz": 400, "gain_db": 2}]},
    {"stage": "compressor", "threshold_dbfs": -24, "ratio": 3},
    {"stage": "saturator", "drive_db": 6, "oversampling": 8},
    {"stage": "width", "width": 1.0},
    {"stage": "gain", "gain_db": 0.0},
]
GRID = {"width.width": [0.7, 0.8, 0.9, 1.1, 1.2, 1.3], "gain.gain_db": [-2.0, -1.0, 0.0, 1.0]}


@pytest.fixture
def contest(tmp_path):
    stems = {f"stem {n}": noise(20.0, n, peak=0.1) for n in range(6)}
    write_session(tmp_path, stems)
    (tmp_path / "chain.json").write_text(json.dumps({"format": "busproc-chain/1", "stages": CHAIN}))
    document = {
        "format": "busproc-shootout/1",
        "shootout": "Twenty-four",
        "songs": [{"file": "session.json"}],
        "chain": "chain.json",
        "grid": {"set": GRID},
        "controls": None,
    }
    (tmp_path / "shootout.json").write_text(json.dumps(document))
    return load_shootout(tmp_path / "shootout.json")


def ours(contest, folder):
    folder.mkdir()
    started = time.process_time()
    with crew_of(Engine(), jobs_silently) as crew:
        Running(contest, folder, Known(folder), crew).render(contest.songs)
    return time.process_time() - started


def one_after_the_other(contest, folder):
    folder.mkdir()
    (tried,) = contest.songs
    started = time.process_time()
    for each in tried.variations:
        through(each.chain.placed(), entrance_of(tried.song, folder, lambda _: None, [each.chain]))
    return time.process_time() - started


def test_a_grid_at_the_end_of_a_chain(benchmark, contest, tmp_path):
    assert len(contest.songs[0].variations) == 24
    ours(contest, tmp_path / "warm")
    turns = [
        (ours(contest, tmp_path / f"a{n}"), one_after_the_other(contest, tmp_path / f"b{n}"))
        for n in range(2)
    ]
    shared, single = np.array(turns).min(axis=0)
    benchmark.extra_info |= {"of_24_renders": shared / single}
    print(f"\n24 variations cost {shared / single:.2f} of 24 renders ({shared:.1f} s of {single:.1f} s)")
    benchmark.pedantic(lambda: None, rounds=1)
