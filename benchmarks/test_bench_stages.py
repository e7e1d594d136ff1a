"""Every stage and a whole chain beside the same work done with general-purpose libraries, in the same run.

CPU time on twenty seconds of stereo at 48 kHz; `extra_info` has the ratio (how many times faster than the
yardstick, above 1 is better), nanoseconds a frame and how many times real time.
"""

import time

import numpy as np
import pytest
import scipy.ndimage
import scipy.signal

from busproc.chain import process
from busproc.kernels import biquad
from busproc.presets import load_preset
from busproc.stages import REGISTRY
from busproc.stages.eq import Eq, Shaped
from busproc.stages.filters import sections

RATE_HZ = 48000
SECONDS = 20
ROUNDS = 5
BELLS = tuple(Shaped(shape="bell", freq_hz=100.0 * 2**k, gain_db=3.0) for k in range(6))
SOS = np.array([[*section[:3], 1.0, *section[3:]] for band in BELLS for section in band.sections(RATE_HZ)])


@pytest.fixture(scope="module")
def sound():
    return 0.3 * np.random.default_rng(1).standard_normal((SECONDS * RATE_HZ, 2))


def least_cpu_s(function):
    """Least CPU time of a few runs; other work on the machine lengthens the wall clock's."""
    times = []
    for _ in range(ROUNDS):
        start = time.process_time()
        function()
        times.append(time.process_time() - start)
    return min(times)


def compare(benchmark, ours, yardstick):
    ours()
    benchmark.pedantic(ours, rounds=ROUNDS)
    own_s = benchmark.stats.stats.min
    benchmark.extra_info["faster_than_yardstick"] = round(least_cpu_s(yardstick) / own_s, 2)
    benchmark.extra_info["ns_per_frame"] = round(own_s / (SECONDS * RATE_HZ) * 1e9)
    benchmark.extra_info["times_real_time"] = round(SECONDS / own_s)


def six_sections(sound):
    return scipy.signal.sosfilt(SOS, sound, axis=0)


def level_curve_and_smoother(sound):
    """A compressor's arithmetic in whole-file calls, with one coefficient for attack and release."""
    level = scipy.signal.lfilter([0.01], [1, -0.99], (sound**2).max(axis=1))
    over = np.maximum(0, 10 * np.log10(level + 1e-30) + 18) / 2
    return sound * (10 ** (-scipy.signal.lfilter([0.001], [1, -0.999], over) / 20))[:, None]


def bent_at_eight_times(sound):
    fine = scipy.signal.resample_poly(sound, 8, 1, axis=0)
    return scipy.signal.resample_poly(np.tanh(fine), 1, 8, axis=0)


def peaks_minimum_and_mean(sound):
    """A limiter's arithmetic in whole-file calls."""
    peaks = np.abs(scipy.signal.resample_poly(sound, 8, 1, axis=0)).max(axis=1).reshape(-1, 8).max(axis=1)
    wanted = scipy.ndimage.minimum_filter1d(0.5 / np.maximum(peaks, 0.5), 722)
    return sound * scipy.ndimage.uniform_filter1d(wanted, 240)[:, None]


def mid_and_side(sound):
    mid, side = sound.sum(axis=1), sound[:, 0] - sound[:, 1]
    return np.stack([mid + side, mid - side], axis=1)


def copy_in_blocks(sound):
    return np.concatenate([sound[at : at + 4096].copy() for at in range(0, len(sound), 4096)])


YARDSTICKS = {
    "compressor": level_curve_and_smoother,
    "eq": six_sections,
    "gain": mid_and_side,
    "limiter": peaks_minimum_and_mean,
    "saturator": bent_at_eight_times,
    "width": mid_and_side,
}


@pytest.mark.benchmark(group="kernels", timer=time.process_time)
def test_six_sections_beside_sosfilt(benchmark, sound):
    coefficients = sections([section for band in BELLS for section in band.sections(RATE_HZ)])
    state = np.zeros((6, 2, 2))
    compare(benchmark, lambda: biquad.run_sections(coefficients, state, sound), lambda: six_sections(sound))


@pytest.mark.benchmark(group="stages", timer=time.process_time)
@pytest.mark.parametrize("tag", REGISTRY)
def test_stage_with_its_log_beside_its_yardstick(benchmark, sound, tag):
    stage = Eq(bands=BELLS) if tag == "eq" else REGISTRY[tag]()
    compare(
        benchmark, lambda: process(stage, sound, RATE_HZ), lambda: YARDSTICKS.get(tag, copy_in_blocks)(sound)
    )


@pytest.mark.benchmark(group="chains", timer=time.process_time)
@pytest.mark.parametrize("name", ["open_and_gentle", "loud_reference"])
def test_chain_beside_a_copy_in_blocks(benchmark, sound, name):
    chain = load_preset(name)
    compare(benchmark, lambda: process(chain, sound, RATE_HZ), lambda: copy_in_blocks(sound))
