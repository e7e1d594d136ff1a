"""Six sections beside the same in C and beside scipy; eight lanes beside one.

CPU time in turns, on noise at 48 kHz in blocks of 4096 frames (scipy: in one piece, its best).
"""

import ctypes

import numpy as np
import pytest
import scipy.signal

from benchmarks.yardsticks import (
    BLOCK_FRAMES,
    blocks_in_c,
    built_from_c,
    in_blocks,
    least_cpu_ns_a_frame,
    noise,
    passed,
    report,
)
from busproc.kernels import biquad
from busproc.stages import filters

SECTIONS = filters.sections([filters.bell(100.0 * 2**k, 3.0, 1.0, 48000) for k in range(6)])
SOS = np.insert(SECTIONS, 3, 1.0, axis=1)


def sections_of_columns(columns):
    state = np.zeros((6, 2, columns))
    return lambda block: biquad.run_sections(SECTIONS, state, block)


def ours(sound):
    run = sections_of_columns(sound.shape[1])
    return lambda: in_blocks(run, sound)


def in_c(library, sound, made):
    """The same; `made` takes each block's result."""
    state, columns = np.zeros((6, 2, sound.shape[1])), ctypes.c_long(sound.shape[1])
    rows, memory, to = passed(SECTIONS, state, made)
    blocks = blocks_in_c(sound)

    def run():
        assert state is not None  # C writes there
        for block, frames in blocks:
            library.run_sections(rows, memory, block, to, columns, frames)

    return run


@pytest.mark.parametrize("fused", [False, True])
def test_c_does_the_same(fused):
    sound = noise()[:BLOCK_FRAMES]
    made = np.empty_like(sound)
    in_c(built_from_c("biquad", fused=fused), sound, made)()
    wanted = biquad.run_sections(SECTIONS, np.zeros((6, 2, 2)), sound)
    np.testing.assert_allclose(made, wanted, rtol=0, atol=1e-12 if fused else 0)


@pytest.mark.benchmark(group="biquad")
def test_six_sections(benchmark):
    sound, eight = noise(), noise(16)
    made = np.empty((BLOCK_FRAMES, 2))
    plain, fused = (in_c(built_from_c("biquad", fused=fused), sound, made) for fused in (False, True))
    found = least_cpu_ns_a_frame(
        {
            "ours": ours(sound),
            "C": plain,
            "C, fused": fused,
            "scipy sosfilt": lambda: scipy.signal.sosfilt(SOS, sound, axis=0),
            "ours, one column": ours(sound[:, :1].copy()),
            "ours, silence": ours(np.zeros_like(sound)),
            "ours, eight lanes": ours(eight),
        }
    )
    report(benchmark, "ours", found)
    benchmark.pedantic(ours(sound), rounds=1)
