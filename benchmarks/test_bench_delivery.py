"""Stems printed with the mix: what seventy of them cost beside deciding once and applying seventy times.

The yardstick is the sum of two times taken in turns with ours: the same graph without contributions, and
the mix bus's treatments alone, carrying out the decisions of the mix on one lane, seventy times over.
"""

import json
import resource
import subprocess
import sys
import time

import numpy as np
import pytest

from busproc.facts import find_facts
from busproc.files import open_writer, quantise
from busproc.mixing import start_graph
from busproc.routing import plan_graph
from busproc.run import stream
from busproc.song import load_session

STEMS = 70
RATE_HZ = 48000
BUS = [
    {"stage": "eq", "bands": [{"shape": "bell", "freq_hz": 300, "gain_db": -3}]},
    {"stage": "compressor", "threshold_dbfs": -24, "ratio": 3},
    {"stage": "saturator", "drive_db": 6, "oversampling": 8},
    {"stage": "width", "width": 1.2, "mono_below_hz": 120},
    {"stage": "limiter", "ceiling_dbtp": -1},
]


def session_of(folder, seconds):
    """Seventy stems of noise in seven groups through one chain."""
    for n in range(STEMS):
        sound = 0.03 * np.random.default_rng(n).standard_normal((round(seconds * RATE_HZ), 2))
        with open_writer(folder / f"{n}.wav", "wav", 24, RATE_HZ, 2, len(sound)) as writer:
            writer.write(quantise(sound.clip(-1, 1), 24, 0, dither=False))
    (folder / "bus.json").write_text(json.dumps({"format": "busproc-chain/1", "stages": BUS}))
    session = {
        "format": "busproc-session/1",
        "song": "Seventy",
        "stems": [{"name": f"stem {n}", "file": f"{n}.wav", "group": f"group {n % 7}"} for n in range(STEMS)],
        "groups": [{"name": f"group {n}"} for n in range(7)],
        "mix_bus": {"chain": "bus.json"},
        "deliver": [{"if_over": "trim"}, {"what": "stems", "if_over": "trim"}],
    }
    (folder / "session.json").write_text(json.dumps(session))
    return folder / "session.json"


def run(song, facts, lane_of):
    """One streaming run; CPU time."""
    plan = plan_graph(song, facts, lane_of=lane_of)
    state = start_graph(plan)
    start = time.process_time()
    for _ in stream(plan, state, 4096):
        pass
    return time.process_time() - start


def apply_alone(song, facts):
    """The mix bus's treatments on one lane, with decisions kept from a run before; CPU time."""
    plan = plan_graph(song, facts)
    state = start_graph(plan)
    steps, inner = plan.buses[-1].series.steps, state.buses[-1].series.stages
    kept = {n: [] for n in range(len(steps))}
    for n, one in enumerate(inner):
        one.totals.feed = lambda bus, decision, _, n=n: kept[n].append((bus, decision))
    for _ in stream(plan, state, 4096):
        pass
    spent = 0.0
    for n, step in enumerate(steps):
        treatment = step.plan.treatment
        memory = treatment.start(1)
        start = time.process_time()
        for bus, decision in kept[n]:
            treatment.apply(memory, decision, bus[:, None])
        spent += time.process_time() - start
    return spent


def test_seventy_stems_cost_their_treatment_and_no_decision(benchmark, tmp_path):
    song = load_session(session_of(tmp_path, 2.0))
    facts = find_facts(song, 4096, lambda _: None)
    lane_of = {name: n for n, name in enumerate(song.files, 1)}
    run(song, facts, lane_of)
    times = {"mix": [], "apply": [], "all": []}
    for _ in range(3):
        times["mix"].append(run(song, facts, {}))
        times["apply"].append(apply_alone(song, facts))
        times["all"].append(run(song, facts, lane_of))
    mix_s, apply_s, all_s = (min(times[name]) for name in ("mix", "apply", "all"))
    benchmark.pedantic(run, (song, facts, lane_of), rounds=1)
    benchmark.extra_info["against_deciding_once_and_applying"] = round(all_s / (mix_s + STEMS * apply_s), 2)
    benchmark.extra_info["times_real_time"] = round(2.0 / all_s, 2)


@pytest.mark.parametrize("seconds", [4, 16])
def test_memory_of_seventy_stems_does_not_grow_with_length(benchmark, tmp_path, seconds):
    session = session_of(tmp_path, seconds)
    code = (
        "import resource, sys; from busproc.delivery.printing import print_session;"
        "print_session(sys.argv[1], sys.argv[2]);"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024)"
    )

    def printed():
        command = [sys.executable, "-c", code, str(session), str(tmp_path / "out")]
        return subprocess.run(command, capture_output=True, text=True, check=True).stdout

    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    peak_mb = int(benchmark.pedantic(printed, rounds=1))
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    benchmark.extra_info["peak_megabytes"] = peak_mb
    benchmark.extra_info["cpu_s_for_each_second"] = round(cpu_s / seconds, 1)
