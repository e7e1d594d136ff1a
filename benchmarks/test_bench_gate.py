"""Gate and transient by default beside C: CPU time in turns, noise at 48 kHz in blocks of 4096 frames.

The noise swells and fades over 60 dB, so that the gate opens and closes. The transient is timed beside the
same yardstick: it holds and follows a level as the gate does, and more.
"""

import numpy as np
import pytest

from benchmarks.yardsticks import (
    BLOCK_FRAMES,
    RATE_HZ,
    blocks_in_c,
    built_from_c,
    in_blocks,
    least_cpu_ns_a_frame,
    noise,
    passed,
    report,
    stage_on_lanes,
)
from busproc.stages.context import Context
from busproc.stages.gate import Gate
from busproc.stages.transient import Transient


def swelling():
    sound = noise()
    level_db = -30 - 30 * np.cos(2 * np.pi * 2 * np.arange(len(sound)) / RATE_HZ)
    return sound * 10 ** (level_db / 20)[:, None]


def in_c(library, sound, made):
    """The gate by default; `made` takes each block's result. The sound's length is a block or more."""
    gate = Gate()
    plan = gate.plan(Context(RATE_HZ))
    ahead, length = plan.lookahead_frames, plan.highest.frames
    kept = (
        np.array([*plan.curve, *plan.keeps]),
        np.array([gate.range_db, 0.0]),
        np.zeros(length),
        np.zeros(length, dtype=np.int64),
        np.zeros(3, dtype=np.int64),
        np.zeros((ahead, 2)),
        np.empty(BLOCK_FRAMES),
        made,
    )
    numbers, memory, values, places, ends, waiting, gain, to = passed(*kept)
    (window,), (late,) = passed(length), passed(ahead)
    blocks = blocks_in_c(sound)

    def run():
        assert kept  # C writes there
        for block, frames in blocks:
            library.gain_of_gate(block, gain, frames, numbers, memory, window, values, places, ends)
            library.apply_later(block, gain, to, waiting, late, frames)

    return run


@pytest.mark.parametrize("fused", [False, True])
def test_c_does_the_same(fused):
    sound = np.ascontiguousarray(swelling()[RATE_HZ // 8 :][:BLOCK_FRAMES])
    made = np.empty_like(sound)
    in_c(built_from_c("gate", fused=fused), sound, made)()
    wanted = stage_on_lanes(Gate())(sound[:, None])[:, 0]
    assert np.ptp(wanted) > 0
    np.testing.assert_allclose(made, wanted, rtol=1e-12)


@pytest.mark.benchmark(group="gate")
def test_gate(benchmark):
    sound, made = swelling(), np.empty((BLOCK_FRAMES, 2))
    plain, fused = (built_from_c("gate", fused=fused) for fused in (False, True))
    gate, transient = stage_on_lanes(Gate()), stage_on_lanes(Transient(body_db=-2.0))
    found = least_cpu_ns_a_frame(
        {
            "gate": lambda: in_blocks(gate, sound[:, None]),
            "gate in C": in_c(plain, sound, made),
            "gate in C, fused": in_c(fused, sound, made),
            "transient": lambda: in_blocks(transient, sound[:, None]),
        }
    )
    report(benchmark, "gate", found)
    benchmark.pedantic(lambda: in_blocks(gate, sound[:, None]), rounds=1)
