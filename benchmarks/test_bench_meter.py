"""The meter beside two by others: CPU time on a minute of stereo at 48 kHz.

`extra_info` has how many times real time ours runs, and how many times faster than each yardstick.
"""

import time

import numpy as np
import pyloudnorm
import pytest

from busproc.measure import LevelTally, Meter, ThirdOctaves
from tests.measure.reference_meters import INTEGRATED, TRUE_PEAK, needs_libebur128, open_ebur128
from tests.published.loudness_signals import programme

RATE_HZ = 48000
SECONDS = 60
BLOCK_FRAMES = 4096
ROUNDS = 5


@pytest.fixture(scope="module")
def steady():
    """Noise at one level: the hardest case for the true peak, as every stretch may hold it."""
    return 0.1 * np.random.default_rng(1).standard_normal((SECONDS * RATE_HZ, 2))


@pytest.fixture(scope="module")
def moving():
    """Noise whose level moves, as music's does."""
    return programme(RATE_HZ, SECONDS, seed=1)


def fed_in_blocks(meter, audio):
    for start in range(0, len(audio), BLOCK_FRAMES):
        meter.feed(audio[start : start + BLOCK_FRAMES])
    return meter


def ours(audio):
    return fed_in_blocks(Meter(RATE_HZ, 2), audio).reading()


def libebur128_with_true_peak(audio):
    with open_ebur128(RATE_HZ, mode=INTEGRATED | TRUE_PEAK) as meter:
        fed_in_blocks(meter, audio)
        return meter.ask("loudness_global"), meter.true_peak_dbtp()


def pyloudnorm_integrated(audio):
    return pyloudnorm.Meter(RATE_HZ).integrated_loudness(audio)


def least_cpu_s(function, audio):
    """Least CPU time of a few runs; other work on the machine lengthens the wall clock's."""
    times = []
    for _ in range(ROUNDS):
        start = time.process_time()
        function(audio)
        times.append(time.process_time() - start)
    return min(times)


@needs_libebur128
@pytest.mark.benchmark(group="meter", timer=time.process_time)
@pytest.mark.parametrize("material", ["steady", "moving"])
def test_meter_beside_libebur128_and_pyloudnorm(benchmark, request, material):
    audio = request.getfixturevalue(material)
    ours(audio)
    benchmark.pedantic(ours, args=(audio,), rounds=ROUNDS)
    own_s = benchmark.stats.stats.min
    benchmark.extra_info["times_real_time"] = round(SECONDS / own_s)
    for yardstick in (libebur128_with_true_peak, pyloudnorm_integrated):
        benchmark.extra_info[f"faster_than_{yardstick.__name__}"] = round(
            least_cpu_s(yardstick, audio) / own_s, 1
        )


@pytest.mark.benchmark(group="meter", timer=time.process_time)
@pytest.mark.parametrize("build", [LevelTally, lambda: ThirdOctaves(RATE_HZ)], ids=["level", "third_octaves"])
def test_tallies(benchmark, build, steady):
    fed_in_blocks(build(), steady)
    benchmark.pedantic(lambda: fed_in_blocks(build(), steady), rounds=ROUNDS)
    benchmark.extra_info["ns_per_frame"] = round(benchmark.stats.stats.min / len(steady) * 1e9, 1)
