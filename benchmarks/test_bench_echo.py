"""Echoes and wandering copies beside the same in C.

CPU time in turns, on noise at 48 kHz in blocks of 4096 frames. An echo on a whole frame needs no
interpolation, one between frames 128 products on each side; the ratio is kept for both, and for filters.
"""

import ctypes

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
from busproc.kernels import fraction, moving_taps
from busproc.stages.context import Context
from busproc.stages.delay import Delay
from busproc.stages.doubler import Doubler

ECHOES = {
    "on a frame": Delay(),
    "between frames": Delay(time_ms=350.0073),
    "filtered": Delay(time_ms=350.0073, low_cut_hz=200.0, high_cut_hz=4500.0),
    "10 ms": Delay(time_ms=10.01),
}
COPIES = {"two copies": Doubler(), "four copies": Doubler(copies=4)}


def echo_in_c(library, stage, sound, made):
    """The same; `made` takes each block's result."""
    treatment = stage.plan(Context(RATE_HZ)).treatment
    whole = treatment.frames + fraction.LATENCY_FRAMES
    length = whole + 2 * fraction.TAPS
    line, memory = np.zeros((length + 2 * fraction.TAPS, 2)), np.zeros((len(treatment.filters), 2, 2))
    at, taps, rows = ctypes.c_long(0), treatment.taps, treatment.filters
    kept = line, memory, taps, rows
    settings = [
        *passed(line, length),
        ctypes.byref(at),
        *passed(whole, taps, len(taps), rows, len(rows), memory),
        *passed(treatment.back[0][0], treatment.dry, treatment.wet[0][0]),
    ]
    (to,), blocks = passed(made), blocks_in_c(sound)

    def run():
        assert kept  # C reads and writes there
        for block, frames in blocks:
            library.echo(block, to, frames, *settings)

    return run


def copies_in_c(library, stage, sound, made):
    """The same; `made` takes each block's result."""
    treatment = stage.plan(Context(RATE_HZ)).treatment
    past, aims, steps, gains = treatment.reach_frames, treatment.aims, treatment.steps, treatment.gains
    heard, table = np.zeros(past + BLOCK_FRAMES), moving_taps.weights()
    kept = aims, steps, gains, heard
    numbers = passed(aims, aims.shape[1], steps, len(steps), table, gains, treatment.dry)
    (to, memory), blocks = passed(made, heard), blocks_in_c(sound)

    def run():
        assert kept  # C reads and writes there
        first = 0
        for block, frames in blocks:
            library.copies(block, to, frames, memory, *passed(past, first), *numbers)
            first += BLOCK_FRAMES

    return run


def yardstick(stage):
    return echo_in_c if isinstance(stage, Delay) else copies_in_c


@pytest.mark.parametrize("fused", [False, True])
@pytest.mark.parametrize("name", [*ECHOES, *COPIES])
def test_c_does_the_same(name, fused):
    """In the last of five blocks, when the first echoes have come."""
    stage = (ECHOES | COPIES)[name]
    sound = noise()[: 5 * BLOCK_FRAMES]
    made = np.empty((BLOCK_FRAMES, 2))
    yardstick(stage)(built_from_c("echo", fused=fused), stage, sound, made)()
    ours = stage_on_lanes(stage)
    for at in range(0, len(sound), BLOCK_FRAMES):
        wanted = ours(sound[at : at + BLOCK_FRAMES, None])[:, 0]
    np.testing.assert_allclose(made, wanted, rtol=0, atol=1e-13)


@pytest.mark.benchmark(group="echo")
@pytest.mark.parametrize("name", [*ECHOES, *COPIES])
def test_echoes_and_copies(benchmark, name):
    stage = (ECHOES | COPIES)[name]
    sound, lanes, made = noise(), noise(16).reshape(-1, 8, 2), np.empty((BLOCK_FRAMES, 2))
    plain, fused = (
        yardstick(stage)(built_from_c("echo", fused=fused), stage, sound, made) for fused in (False, True)
    )
    one, eight = stage_on_lanes(stage), stage_on_lanes(stage, lanes=8)
    found = least_cpu_ns_a_frame(
        {
            name: lambda: in_blocks(one, sound[:, None]),
            "C": plain,
            "C, fused": fused,
            f"{name}, eight lanes": lambda: in_blocks(eight, lanes),
        },
        rounds=3,
    )
    report(benchmark, name, found)
    benchmark.pedantic(lambda: in_blocks(one, sound[:, None]), rounds=1)
