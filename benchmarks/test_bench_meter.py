"""The meter beside the same in C and beside two meters by others.

CPU time in turns, on stereo at 48 kHz in blocks of 4096 frames: steady noise, the hardest case for the true
peak as every stretch may hold it; noise whose level moves, as music's does; the same clipped, as the loudest
music is.
"""

# ruff: noqa: SLF001 - C is given the designs of ours, and compared with what ours keeps

import numpy as np
import pyloudnorm
import pytest

from benchmarks.yardsticks import (
    BLOCK_FRAMES,
    RATE_HZ,
    SECONDS,
    blocks_in_c,
    built_from_c,
    in_blocks,
    least_cpu_ns_a_frame,
    noise,
    passed,
    report,
)
from busproc.measure import LevelTally, Meter, ThirdOctaves
from busproc.measure.highest import highest_peak
from busproc.measure.loudness import Loudness
from busproc.measure.true_peak import TruePeak
from tests.measure.reference_meters import INTEGRATED, TRUE_PEAK, needs_libebur128, open_ebur128
from tests.measure.test_highest import reader, searched
from tests.published.loudness_signals import programme


def steady():
    return 0.3 * noise()


def moving():
    return programme(RATE_HZ, SECONDS, seed=1)


def clipped():
    return np.clip(4 * moving(), -1, 1)


MATERIAL = {made.__name__: made for made in (steady, moving, clipped)}
every_material = pytest.mark.parametrize("material", MATERIAL)


def fed(meter, audio):
    in_blocks(meter.feed, audio)
    return meter


class InC:
    """Level, loudness and true peak by `benchmarks/c/meter.c`, with the designs of ours."""

    def __init__(self, library, *, level=True, loudness=True, true_peak=True):
        self._library, self._level, self._weighs, self._seeks = library, level, loudness, true_peak
        weighing, peak = Loudness(RATE_HZ), TruePeak(RATE_HZ)
        self.sums, self.cells, self.highest = np.zeros(4), np.zeros(100 * SECONDS), np.zeros(1)
        self._kept = weighing, peak
        self._filter = passed(weighing._design, weighing._past, weighing._weighed)
        self._taps = passed(peak._history, peak._taps, *peak._taps.shape[:2])
        self._rough = passed(peak._half_taps, peak._quarter_taps, peak._reach, self.highest)
        self._frames = self._done = 0

    def feed(self, block, frames):
        if self._level:
            self._library.tally(block, *passed(self.sums), frames)
        if self._weighs:
            counts = passed(self._frames, self._done, RATE_HZ)
            done = passed(self.cells[self._done :])
            self._done += self._library.weigh_into_cells(block, *self._filter, *counts, *done, frames)
        if self._seeks:
            self._library.interpolated_peak(block, *self._taps, *self._rough, frames)
        self._frames += frames.value


def in_c(blocks, library, **parts):
    meter = InC(library, **parts)
    for block in blocks:
        meter.feed(*block)
    return meter


def libebur128(audio):
    with open_ebur128(RATE_HZ, mode=INTEGRATED | TRUE_PEAK) as meter:
        in_blocks(meter.feed, audio)
        return meter.ask("loudness_global"), meter.true_peak_dbtp()


@every_material
@pytest.mark.parametrize("fused", [False, True])
def test_c_does_the_same(material, fused):
    sound = MATERIAL[material]()[: 10 * BLOCK_FRAMES]
    other = in_c(blocks_in_c(sound), built_from_c("meter", fused=fused))
    level, loudness, peak = (
        fed(LevelTally(), sound),
        fed(Loudness(RATE_HZ), sound),
        fed(TruePeak(RATE_HZ), sound),
    )
    close = {"rtol": 1e-9, "atol": 0} if fused else {"rtol": 0, "atol": 0}
    np.testing.assert_allclose(other.sums, level._sums, **close)
    np.testing.assert_allclose(other.cells[: other._done], np.array(loudness._cells), **close)
    np.testing.assert_allclose(other.highest, peak._highest, **close)


@needs_libebur128
@pytest.mark.benchmark(group="meter")
@every_material
def test_meter(benchmark, material):
    sound = MATERIAL[material]()
    blocks = blocks_in_c(sound)
    plain, fused = (built_from_c("meter", fused=fused) for fused in (False, True))
    found = least_cpu_ns_a_frame(
        {
            "ours": lambda: fed(Meter(RATE_HZ, 2), sound).reading(),
            "C": lambda: in_c(blocks, plain),
            "C, fused": lambda: in_c(blocks, fused),
            "libebur128": lambda: libebur128(sound),
            "pyloudnorm, loudness alone": lambda: pyloudnorm.Meter(RATE_HZ).integrated_loudness(sound),
            "ours, loudness alone": lambda: fed(Loudness(RATE_HZ), sound),
            "C, loudness alone": lambda: in_c(blocks, plain, level=False, true_peak=False),
            "ours, true peak alone": lambda: fed(TruePeak(RATE_HZ), sound),
            "C, true peak alone": lambda: in_c(blocks, plain, level=False, loudness=False),
            "ours, level alone": lambda: fed(LevelTally(), sound),
            "C, level alone": lambda: in_c(blocks, plain, loudness=False, true_peak=False),
            "ours, third octaves": lambda: fed(ThirdOctaves(RATE_HZ), sound),
        },
        rounds=5,
    )
    report(benchmark, "ours", found)
    benchmark.pedantic(lambda: fed(Meter(RATE_HZ, 2), sound), rounds=1)


@pytest.mark.benchmark(group="highest")
@every_material
def test_highest_peak(benchmark, material):
    sound = MATERIAL[material]()
    found = least_cpu_ns_a_frame(
        {
            "ours": lambda: highest_peak(reader(sound), len(sound)),
            "search without shortcuts": lambda: searched(sound, fourier=True),
        },
        rounds=3,
    )
    report(benchmark, "ours", found)
    benchmark.pedantic(lambda: highest_peak(reader(sound), len(sound)), rounds=1)
