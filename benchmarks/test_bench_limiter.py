"""The limiter as it streams beside the same in C.

CPU time in turns, on noise at 48 kHz in blocks of 4096 frames: the whole stage, decided, delayed and applied.
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
from busproc.kernels import limit, oversample
from busproc.stages.context import Context
from busproc.stages.limiter import FACTOR, Limiter

STREAMING = Limiter(verify=False)


class InC:
    """The same stage of C functions; `made` takes each block's result."""

    def __init__(self, library, made):
        self.library, plan = library, STREAMING.plan(Context(RATE_HZ))
        self.kept = {
            **STREAMING.memory(plan),
            "fine": np.empty((BLOCK_FRAMES * FACTOR, 2)),
            "gain": np.empty(BLOCK_FRAMES),
            "whole": np.empty(BLOCK_FRAMES, dtype=np.int64),
            "waiting": np.zeros((plan.lookahead_frames, 2)),
            "made": made,
            "layout": oversample.layout_of(FACTOR, upwards=True),
            "at": oversample.places_of(FACTOR, upwards=True),
            "weights": oversample.all_weights(),
            "lengths": plan.lengths,
        }

        at = {name: passed(array)[0] for name, array in self.kept.items()}
        top, longest = FACTOR.bit_length() - 1, self.kept["rings"].shape[1]
        self.made, self.waiting = at["made"], [at["waiting"], *passed(plan.lookahead_frames)]
        self.up = at["layout"], at["at"], at["weights"], *passed(top), at["up"]
        self.fine, self.gain = at["fine"], at["gain"]
        self.peaks = at["peaks"], *passed(plan.ceiling)
        self.queue = *passed(plan.window_frames), at["least"], at["least_at"], at["least_ends"]
        self.pace = *passed(plan.fast_keep, *plan.slow_keeps, plan.slow_share), at["release"]
        self.rings = at["lengths"], at["rings"], *passed(longest), at["sums"], at["places"], at["whole"]

    def __call__(self, block, frames):
        c = self.library
        c.raise_rate(*self.up, block, self.fine, frames)
        c.peaks_in_cells(self.fine, *self.peaks, self.gain, frames)
        c.slide_minimum(self.gain, *self.queue, frames)
        c.release(self.gain, *self.pace, frames)
        c.ease(self.gain, *self.rings, frames)
        c.apply_late(block, self.gain, *self.waiting, self.made, frames)


def in_c(library, sound, made):
    run, blocks = InC(library, made), blocks_in_c(sound)

    def run_all():
        for block, frames in blocks:
            run(block, frames)

    return run_all


def parts(sound):
    """Each kernel on its own, on what it is given when the noise has been under way for a while."""
    plan = STREAMING.plan(Context(RATE_HZ))
    memory = STREAMING.memory(plan)
    block = sound[:BLOCK_FRAMES]
    fine = oversample.up(FACTOR, memory["up"], block)
    found = limit.peak_in_cells(fine, FACTOR, memory["peaks"], plan.ceiling)
    wanted = plan.ceiling / np.maximum(found, plan.ceiling)
    queue = plan.window_frames, memory["least"], memory["least_at"], memory["least_ends"]
    least = limit.slide_minimum(wanted, *queue)
    pace = plan.fast_keep, *plan.slow_keeps, plan.slow_share, memory["release"]
    held = limit.release(least, *pace)
    means = plan.lengths, memory["rings"], memory["sums"], memory["places"]
    return {
        "up": lambda x: oversample.up(FACTOR, memory["up"], x),
        "peaks": lambda _: limit.peak_in_cells(fine, FACTOR, memory["peaks"], plan.ceiling),
        "minimum": lambda _: limit.slide_minimum(wanted, *queue),
        "release": lambda _: limit.release(least, *pace),
        "ease": lambda _: limit.ease(held, *means),
    }


@pytest.mark.parametrize("fused", [False, True])
def test_c_does_the_same(fused):
    sound = noise()[: 2 * BLOCK_FRAMES]
    run, ours = (
        InC(built_from_c("limiter", fused=fused), np.empty((BLOCK_FRAMES, 2))),
        stage_on_lanes(STREAMING),
    )
    for block in (sound[:BLOCK_FRAMES], sound[BLOCK_FRAMES:]):
        run(*passed(block, len(block)))
        wanted = ours(block[:, None])[:, 0]
        np.testing.assert_allclose(run.kept["made"], wanted, rtol=1e-9 if fused else 0)


@pytest.mark.benchmark(group="limiter")
def test_limiter(benchmark):
    sound, made = noise(), np.empty((BLOCK_FRAMES, 2))
    plain, fused = (in_c(built_from_c("limiter", fused=fused), sound, made) for fused in (False, True))
    whole, pressed, loud = stage_on_lanes(STREAMING), stage_on_lanes(STREAMING), 3.16 * sound[:, None]
    found = least_cpu_ns_a_frame(
        {
            "stage": lambda: in_blocks(whole, sound[:, None]),
            "C": plain,
            "C, fused": fused,
            "stage, 10 dB louder": lambda: in_blocks(pressed, loud),
            **{name: lambda part=part: in_blocks(part, sound) for name, part in parts(sound).items()},
        }
    )
    report(benchmark, "stage", found)
    benchmark.pedantic(lambda: in_blocks(whole, sound[:, None]), rounds=1)
