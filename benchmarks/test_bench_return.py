"""A return that twenty stems share beside the room on each of them, and beside one that a single stem has.

CPU time of one streaming run in turns, on noise at 48 kHz; what the same stems take without any room is
subtracted from each.
"""

import json
import time

import numpy as np

from busproc.files import open_writer, quantise
from busproc.mixing import start_graph
from busproc.presets import preset_path
from busproc.routing import plan_graph
from busproc.run import stream
from busproc.song import load_session

STEMS, SECONDS, RATE_HZ, ROUNDS = 20, 8, 48000, 7
WAYS = {
    "shared by twenty": dict.fromkeys(range(STEMS), "room 0"),
    "of one stem": {0: "room 0"},
    "twenty, one for each": {n: f"room {n}" for n in range(STEMS)},
    "none": {},
}
"""Which stem is sent where."""


def session_of(folder, sent):
    names = sorted(set(sent.values()))
    session = {
        "format": "busproc-session/1",
        "song": "Twenty",
        "stems": [{"name": f"stem {n}", "file": f"{n}.wav"} for n in range(STEMS)],
        "sends": [{"from": f"stem {n}", "to": name, "level_db": -9} for n, name in sent.items()],
        "returns": [{"name": name, "chain": "room.json"} for name in names],
    }
    file = folder / f"{len(sent)} to {len(names)}.json"
    file.write_text(json.dumps(session))
    return load_session(file)


def cpu_s(song):
    plan = plan_graph(song, {})
    state = start_graph(plan)
    start = time.process_time()
    for _ in stream(plan, state, 4096):
        pass
    return time.process_time() - start


def test_a_return_shared_by_twenty_stems_costs_one(benchmark, tmp_path):
    (tmp_path / "room.json").write_bytes(preset_path("shared_room").read_bytes())
    for n in range(STEMS):
        sound = quantise(
            0.03 * np.random.default_rng(n).standard_normal((SECONDS * RATE_HZ, 2)), 24, 0, dither=False
        )
        with open_writer(tmp_path / f"{n}.wav", "wav", 24, RATE_HZ, 2, len(sound)) as writer:
            writer.write(sound)
    songs = {name: session_of(tmp_path, sent) for name, sent in WAYS.items()}
    times = {name: [] for name in songs}
    for _ in range(ROUNDS):
        for name, song in songs.items():
            times[name].append(cpu_s(song))
    least = {name: min(each) for name, each in times.items()}
    one = least["of one stem"] - least["none"]
    for name in songs:
        added = least[name] - least["none"]
        print(f"\n  {name:22} {least[name]:6.3f} s, {added / one:6.2f} x a room of one stem", end="")
        benchmark.extra_info[name] = round(added / one, 3)
    benchmark.pedantic(cpu_s, args=[songs["shared by twenty"]], rounds=1)
