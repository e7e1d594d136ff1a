"""A whole chain, without its log, beside its stages in C and a copy in blocks; eight lanes beside one.

CPU time in turns, on noise at 48 kHz in blocks of 4096 frames. C does each stage on the same noise, and its
times are added up; its saturator leaves out the dry sound's delay. Lanes are compared on one block again and
again: half a minute of eight lanes is more than a cache holds, and would show how slow memory is.
"""

import numpy as np
import pytest

from benchmarks import test_bench_biquad as biquad
from benchmarks import test_bench_compressor as compressor
from benchmarks import test_bench_limiter as limiter
from benchmarks import test_bench_oversampling as oversampling
from benchmarks.yardsticks import (
    BLOCK_FRAMES,
    RATE_HZ,
    block_again,
    blocks_in_c,
    built_from_c,
    in_blocks,
    least_cpu_ns_a_frame,
    noise,
    passed,
    report,
    stage_on_lanes,
)
from busproc.stages.compressor import Compressor
from busproc.stages.context import Context
from busproc.stages.eq import Eq, Shaped
from busproc.stages.limiter import Limiter
from busproc.stages.saturator import Saturator
from busproc.stages.series import plan_series, process_series, start_series
from busproc.stages.width import Width

BELLS = tuple(Shaped(shape="bell", freq_hz=100.0 * 2**k, gain_db=3.0) for k in range(6))
STAGES = {
    "eq": Eq(bands=BELLS, design="bilinear"),
    "compressor": Compressor(),
    "saturator": Saturator(oversampling=4),
    "width": Width(width=1.2),
    "limiter": Limiter(verify=False),
}
"""Designed bilinearly a bell is one section, so the EQ has six."""
EIGHT = 8


def chain(lanes=1):
    plan = plan_series(list(STAGES.items()), Context(RATE_HZ))
    state = start_series(plan, lanes, watched=False)
    return lambda block: process_series(plan, state, block, {})


def width_in_c(library, sound, made):
    to, same, other = passed(made, 1.1, -0.1)
    blocks = blocks_in_c(sound)

    def run():
        assert made is not None  # C writes there
        for block, frames in blocks:
            library.mix_sides(block, to, frames, same, other)

    return run


def stages_in_c(sound, *, fused):
    """Each stage by its name."""
    made = np.empty((BLOCK_FRAMES, 2))
    word = " in C, fused" if fused else " in C"
    return {
        "eq" + word: biquad.in_c(built_from_c("biquad", fused=fused), sound, made),
        "compressor" + word: compressor.in_c(built_from_c("compressor", fused=fused), sound, made),
        "saturator" + word: oversampling.bent_in_c(built_from_c("oversample", fused=fused), 4, sound, made),
        "width" + word: width_in_c(built_from_c("width", fused=fused), sound, made),
        "limiter" + word: limiter.in_c(built_from_c("limiter", fused=fused), sound, made),
    }


def on_lanes(run, sound):
    return lambda: in_blocks(run, sound)


@pytest.mark.parametrize("fused", [False, True])
def test_c_makes_the_same_width(fused):
    sound = noise()[:BLOCK_FRAMES]
    made = np.empty_like(sound)
    width_in_c(built_from_c("width", fused=fused), sound, made)()
    wanted = stage_on_lanes(STAGES["width"])(sound[:, None])[:, 0]
    np.testing.assert_allclose(made, wanted, rtol=0, atol=1e-15)


@pytest.mark.benchmark(group="chain")
def test_chain(benchmark):
    sound = noise()
    lanes = sound[:, None]
    c, fused = stages_in_c(sound, fused=False), stages_in_c(sound, fused=True)
    found = least_cpu_ns_a_frame(
        {
            "chain": on_lanes(chain(), lanes),
            "copy": lambda: in_blocks(np.copy, lanes),
            **{name: on_lanes(stage_on_lanes(stage), lanes) for name, stage in STAGES.items()},
            **c,
            **fused,
        }
    )
    found["all in C"] = sum(found[name] for name in c)
    found["all in C, fused"] = sum(found[name] for name in fused)
    report(benchmark, "chain", found)
    benchmark.pedantic(on_lanes(chain(), lanes), rounds=1)


@pytest.mark.benchmark(group="chain")
def test_eight_lanes(benchmark):
    one, eight = noise()[:, None], noise(2 * EIGHT).reshape(-1, EIGHT, 2)
    sections = {columns: biquad.sections_of_columns(columns) for columns in (2, 2 * EIGHT)}
    runs = {
        "eq": (stage_on_lanes(STAGES["eq"]), one),
        "eq, eight lanes": (stage_on_lanes(STAGES["eq"], EIGHT), eight),
        "sections alone": (sections[2], one[:, 0]),
        "sections alone, eight lanes": (sections[2 * EIGHT], eight.reshape(-1, 2 * EIGHT)),
        "chain": (chain(), one),
        "chain, eight lanes": (chain(EIGHT), eight),
    }
    found = least_cpu_ns_a_frame(
        {name: lambda run=run, sound=sound: block_again(run, sound) for name, (run, sound) in runs.items()}
    )
    report(benchmark, "eq", found)
    benchmark.pedantic(lambda: block_again(*runs["eq"]), rounds=1)
