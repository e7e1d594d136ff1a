"""The compressor by default beside the same in C, and beside C with the library's log10 and pow.

CPU time in turns, on noise at 48 kHz in blocks of 4096 frames: the whole stage, decided and applied.
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
from busproc.stages.base import Heard
from busproc.stages.compressor import Compressor
from busproc.stages.context import Context


def numbers():
    return np.array(Compressor().plan(Context(RATE_HZ)).numbers)


def in_c(library, sound, made):
    """The same; `made` takes each block's result."""
    kept = numbers(), np.zeros(3), np.empty(BLOCK_FRAMES), made
    settings, memory, gain, to = passed(*kept)
    blocks = blocks_in_c(sound)

    def run():
        assert kept  # C writes there
        for block, frames in blocks:
            library.gain_of_sound(block, gain, frames, settings, memory)
            library.apply_gain(block, gain, to, frames)

    return run


def plainly_in_c(library, sound, made):
    """A logarithm and a power of the library's for each frame."""
    kept = numbers(), np.zeros(3), made
    settings, memory, to = passed(*kept)
    blocks = blocks_in_c(sound)

    def run():
        assert kept  # C writes there
        for block, frames in blocks:
            library.plain(block, to, frames, settings, memory)

    return run


def deciding(compressor):
    plan = compressor.plan(Context(RATE_HZ))
    memory = compressor.memory(plan)
    return lambda block: compressor.decide(plan, memory, Heard(block, {}))


@pytest.mark.parametrize("fused", [False, True])
@pytest.mark.parametrize("yardstick", [in_c, plainly_in_c])
def test_c_does_the_same(yardstick, fused):
    sound = noise()[:BLOCK_FRAMES]
    made = np.empty_like(sound)
    yardstick(built_from_c("compressor", fused=fused), sound, made)()
    wanted = stage_on_lanes(Compressor())(sound[:, None])[:, 0]
    np.testing.assert_allclose(made, wanted, rtol=1e-10 if yardstick is plainly_in_c else 1e-14)


@pytest.mark.benchmark(group="compressor")
def test_compressor(benchmark):
    sound, made = noise(), np.empty((BLOCK_FRAMES, 2))
    plain, fused = (built_from_c("compressor", fused=fused) for fused in (False, True))
    whole, decide, stepwise = (
        stage_on_lanes(Compressor()),
        deciding(Compressor()),
        deciding(Compressor(hold_ms=1.0)),
    )
    found = least_cpu_ns_a_frame(
        {
            "stage": lambda: in_blocks(whole, sound[:, None]),
            "decide": lambda: in_blocks(decide, sound),
            "decide, with a hold": lambda: in_blocks(stepwise, sound),
            "C": in_c(plain, sound, made),
            "C, fused": in_c(fused, sound, made),
            "C, log10 and pow": plainly_in_c(fused, sound, made),
        }
    )
    report(benchmark, "stage", found)
    benchmark.pedantic(lambda: in_blocks(whole, sound[:, None]), rounds=1)
