"""Oversampling and the saturator beside the same in C, beside scipy's resampler and beside soxr.

CPU time in turns, on noise at 48 kHz in blocks of 4096 frames (scipy and soxr: in one piece, their best).
"""

import ctypes

import numpy as np
import pytest
import scipy.signal
import soxr

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
)
from busproc.kernels import oversample, shape
from busproc.stages.base import Heard
from busproc.stages.context import Context
from busproc.stages.saturator import Saturator

DRIVE, MIX = 10 ** (12 / 20), 0.8
FACTORS = pytest.mark.parametrize("factor", [4, 8])


def bent(factor):
    """Up, bent, down what the bend changes: the kernels alone."""
    rising, falling = oversample.start_up(factor, 2), oversample.start_down(factor, 2)

    def run(block):
        fine = oversample.up(factor, rising, block)
        return oversample.down(factor, falling, fine, shape.tanh_ratio(fine, DRIVE, MIX))

    return run


def bent_in_c(library, factor, sound, made):
    """The same; `made` takes each block's result."""
    top, room = factor.bit_length() - 1, (BLOCK_FRAMES * factor, 2)
    rising, falling = oversample.start_up(factor, 2), oversample.start_down(factor, 2)
    fine, ratio = np.empty(room), np.empty(room)
    up, down = (
        (
            oversample.layout_of(factor, upwards=upwards),
            oversample.places_of(factor, upwards=upwards),
            oversample.all_weights(),
            top,
            memory,
        )
        for upwards, memory in ((True, rising), (False, falling))
    )
    kept = (fine, ratio, made, up, down)
    raising, lowering = passed(*up), passed(*down)
    to_fine, to_ratio, to_made, drive, mix = passed(fine, ratio, made, DRIVE, MIX)
    blocks = [(*block, ctypes.c_long(2 * factor * block[1].value)) for block in blocks_in_c(sound)]

    def run():
        assert kept  # C writes there
        for block, frames, values in blocks:
            library.raise_rate(*raising, block, to_fine, frames)
            library.tanh_ratio(to_fine, to_ratio, values, drive, mix)
            library.lower_rate(*lowering, to_fine, to_ratio, to_made, frames)

    return run


def stage(factor, lanes=1):
    """The saturator without its log: decide and apply."""
    saturator = Saturator(drive_db=12.0, mix=MIX, oversampling=factor)
    plan = saturator.plan(Context(RATE_HZ))
    memory, state = saturator.memory(plan), plan.treatment.start(lanes)

    def run(block):
        decision = saturator.decide(plan, memory, Heard(block, {}))
        return plan.treatment.apply(state, decision, np.repeat(block[:, None], lanes, axis=1))

    return run


def resample_poly(factor, sound):
    fine = scipy.signal.resample_poly(sound, factor, 1, axis=0)
    return scipy.signal.resample_poly(np.tanh(fine), 1, factor, axis=0)


def by_soxr(factor, sound, quality):
    fine = soxr.resample(sound, RATE_HZ, RATE_HZ * factor, quality=quality)
    return soxr.resample(np.tanh(fine), RATE_HZ * factor, RATE_HZ, quality=quality)


@FACTORS
@pytest.mark.parametrize("fused", [False, True])
def test_c_does_the_same(factor, fused):
    sound = noise()[:BLOCK_FRAMES]
    made = np.empty_like(sound)
    bent_in_c(built_from_c("oversample", fused=fused), factor, sound, made)()
    np.testing.assert_allclose(made, bent(factor)(sound), rtol=0, atol=1e-13 if fused else 0)


@FACTORS
@pytest.mark.benchmark(group="oversampling")
def test_saturator(benchmark, factor):
    sound, made = noise(), np.empty((BLOCK_FRAMES, 2))
    plain, fused = (
        bent_in_c(built_from_c("oversample", fused=fused), factor, sound, made) for fused in (False, True)
    )
    kernels, whole, eight, rising = (
        bent(factor),
        stage(factor),
        stage(factor, 8),
        oversample.start_up(factor, 2),
    )
    found = least_cpu_ns_a_frame(
        {
            "kernels": lambda: in_blocks(kernels, sound),
            "C": plain,
            "C, fused": fused,
            "stage": lambda: in_blocks(whole, sound),
            "stage, eight lanes": lambda: in_blocks(eight, sound),
            "up alone": lambda: in_blocks(lambda block: oversample.up(factor, rising, block), sound),
            "scipy resample_poly": lambda: resample_poly(factor, sound),
            "soxr HQ": lambda: by_soxr(factor, sound, "HQ"),
            "soxr VHQ": lambda: by_soxr(factor, sound, "VHQ"),
        },
        rounds=5,
    )
    report(benchmark, "kernels", found)
    benchmark.pedantic(lambda: in_blocks(kernels, sound), rounds=1)


@pytest.mark.benchmark(group="oversampling")
def test_tanh(benchmark):
    library = built_from_c("oversample", fused=False)
    sound = noise()

    ratio = np.empty((BLOCK_FRAMES, 2))
    blocks = [(block, ctypes.c_long(2 * frames.value)) for block, frames in blocks_in_c(sound)]

    def in_c(function):
        def run():
            for block, values in blocks:
                function(block, *passed(ratio), values, *passed(DRIVE, MIX))

        return run

    found = least_cpu_ns_a_frame(
        {
            "ours": lambda: in_blocks(lambda block: shape.tanh_ratio(block, DRIVE, MIX), sound),
            "C": in_c(library.tanh_ratio),
            "C with the library's tanh": in_c(library.tanh_ratio_of_the_library),
            "numpy's tanh alone": lambda: in_blocks(np.tanh, sound),
        }
    )
    report(benchmark, "ours", found)
    benchmark.pedantic(lambda: in_blocks(lambda block: shape.tanh_ratio(block, DRIVE, MIX), sound), rounds=1)
