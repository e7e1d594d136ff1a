"""Every kernel there is: found, not listed. The compiled loop does what its plain Python says.

A new kernel needs one example in EXAMPLES: small arguments that reach every line of it.
"""

from __future__ import annotations

import copy
import importlib
import pkgutil
import sys

import numpy as np
import pytest
from numba.core.dispatcher import Dispatcher

from busproc import kernels
from busproc.kernels import biquad, fourier, limit, loudness, moving_taps, oversample, peaks, tally

MODULES = {
    found.name: importlib.import_module(f"{kernels.__name__}.{found.name}")
    for found in pkgutil.iter_modules(kernels.__path__)
}
KERNELS = {
    f"{name}.{made.py_func.__name__}": made
    for name, module in MODULES.items()
    for made in vars(module).values()
    if isinstance(made, Dispatcher) and made.py_func.__module__ == module.__name__
}


def noise(*shape, seed=0, low=-1.0, high=1.0):
    return np.random.default_rng(seed).uniform(low, high, shape)


def whole(*numbers):
    return np.array(numbers, dtype=np.int64)


def gain_and_counters():
    """A gain that rests, works and sinks under the histogram; at 100 Hz a tenth of a second is 10 frames."""
    gain = np.concatenate([np.ones(12), noise(40, low=0.2), [1e-7, 0.5, 1.0]])
    return (
        gain,
        0.9,
        100,
        3,
        0.1,
        np.zeros(tally.BINS, dtype=np.int64),
        np.zeros(5, dtype=np.int64),
        np.zeros(3),
        np.zeros(9),
    )


def bursts():
    """Silent, loud, silent, quiet: everything that a detector and a smoother can meet."""
    silence = np.zeros((20, 2))
    return np.concatenate([silence, noise(60, 2), silence, 0.05 * noise(60, 2, seed=1)])


def sections(count):
    """Coefficients of so many stable sections, in a row."""
    return np.tile([1.1, -1.8, 0.8, -1.7, 0.75, 0.9, 0.1, 0.0, 0.2, 0.0], count)[: 5 * count]


def fading(columns):
    """Sound, then enough silence for filters to come to rest."""
    return np.concatenate([noise(30, columns), np.zeros((400, columns))])


def six_sections():
    """What six sections are given, two columns wide: coefficients, memory, sound and where to put it."""
    sound = fading(2).reshape(-1)
    return sections(6), np.zeros(6 * 2 * 2), sound, sound.copy()


def half_bands(*, upwards, pairs=None):
    """What the filters of four times the rate are given; a memory with something in it."""
    layout = oversample.layout_of(4, upwards=upwards)
    size = layout[-1, 0]
    memory = noise(size) if pairs is None else noise(pairs, size)
    return layout, oversample.places_of(4, upwards=upwards), oversample.all_weights(), memory


def single(*shape, seed=0):
    return noise(*shape, seed=seed).astype(np.float32)


def weighting():
    """Zeros and poles of a filter that makes two frames at once."""
    return np.array([1.5, -1.1, 0.2, -0.4, 0.3, 0.2, -0.1, 0.05, 0.02, -0.9, 0.4, -1.2, 0.5])


def frozen(array):
    array.setflags(write=False)
    return array


EXAMPLES = {
    "biquad.run_eight_steadily": lambda: (
        sections(6),
        np.zeros(6 * 2 * 8),
        fading(8).reshape(-1),
        fading(8).reshape(-1),
        0,
        0,
        8,
    ),
    "biquad.run_one": lambda: (*six_sections(), 0, 1, 7, 2, 400),
    "biquad.run_sections": lambda: (frozen(sections(7).reshape(-1, 5)), np.zeros((7, 2, 9)), fading(9)),
    "biquad.run_six": lambda: (
        sections(6),
        np.zeros(6 * 2 * 10),
        fading(10).reshape(-1),
        np.zeros(430 * 10),
        0,
        10,
        8,
    ),
    "biquad.run_steadily": lambda: (biquad.spread(sections(6), 0), *six_sections()[1:], 0, 0, 2),
    "biquad.spread": lambda: (sections(7), 1),
    "biquad.step": lambda: (0.3, 0.1, -0.2, 1.1, -1.8, 0.8, -1.7, 0.75),
    "biquad.whole": lambda: (7, 6),
    "biquad.with_columns": lambda: (noise(12), 3, 4),
    "curves.asymmetric_ratio": lambda: (np.concatenate([bursts(), np.full((2, 2), 1e-14)]), 4.0, 0.8, 0.3),
    "curves.clip_ratio": lambda: (bursts(), 4.0, 0.8),
    "curves.cubic_ratio": lambda: (bursts(), 4.0, 0.8),
    "dither.draw": lambda: (np.array([7, 8, 9], np.uint64), 10**6, np.zeros((20, 3))),
    "dither.draw_stereo": lambda: (np.uint64(7), np.uint64(8), 10**6, np.zeros(40)),
    "dither.keep_silence": lambda: (
        np.array([[0.0, 1e-21], [0.0, 0.5]]),
        np.ones((2, 2), dtype=np.int32),
    ),
    "dither.round_off": lambda: (noise(40, high=1.5), noise(40), 32768.0, np.zeros(40, dtype=np.int32)),
    "dither.triangular": lambda: (np.uint64(2**63 + 12345),),
    "dither.hash64": lambda: (np.uint64(1234567),),
    "dither.quantise_dithered": lambda: (
        np.concatenate([noise(50, 2, high=1.5), np.zeros((5, 2))]),
        32768.0,
        10**6,
        7,
        np.zeros((55, 2), dtype=np.int32),
    ),
    "dither.quantise_plain": lambda: (noise(50, 2, high=1.5), 32768.0, np.zeros((50, 2), dtype=np.int32)),
    "dynamics.asked": lambda: (-18.0, -20.0, 0.75, 6.0, 12.0),
    "dynamics.averaged": lambda: (0.2, -0.5, 0.9),
    "dynamics.decibels": lambda: (np.abs(bursts()), 6.02, 3.01),
    "dynamics.follow": lambda: (noise(2, 60, low=0.0), 0.9, 0.99, np.array([0.0, 1.0])),
    "dynamics.gain_of": lambda: (noise(2, 60, low=0.0, high=50.0), 0.3, 0.9),
    "dynamics.gain_of_sound": lambda: (
        bursts(),
        True,
        np.zeros(2),
        np.zeros(1),
        *(0.5, -20.0, 0.75, 6.0, 12.0, 0.9, 0.99, 0.3, 0.9),
    ),
    "dynamics.level_db_of": lambda: (bursts(), True, 0.5, True, np.zeros(2)),
    "dynamics.link": lambda: (noise(2, 60, low=0.0), 0.7),
    "dynamics.louder": lambda: (noise(2, 60),),
    "dynamics.mean_square_of_each": lambda: (bursts(), 0.5, np.zeros(2)),
    "dynamics.octaves_of": lambda: (0.3,),
    "dynamics.paced": lambda: (0.2, 0.5, 0.9, 0.99),
    "dynamics.peak_of_each": lambda: (bursts(),),
    "dynamics.power_of_two": lambda: (-1.3,),
    "dynamics.wanted_reduction": lambda: (noise(2, 60, low=-40.0, high=0.0), -20.0, 0.75, 6.0, 12.0),
    "feedback.absorb": lambda: (1e-31, noise(10), np.zeros(4)),
    "feedback.add_taps": lambda: (noise(9, 2), noise(15, 2, seed=1), whole(1, 6), noise(2, 2, 2)),
    "feedback.diffuse": lambda: (np.concatenate([noise(20), np.zeros(900)]), 0.6, np.zeros(7), 3),
    "feedback.hand_out": lambda: (noise(16),),
    "feedback.mix_all": lambda: (noise(16),),
    "feedback.run_network": lambda: (
        np.concatenate([noise(20, 2), np.zeros((1500, 2))]),
        whole(*range(0, 17 * 3, 3)),
        whole(*range(0, 16 * 3, 3)),
        np.zeros(48),
        np.tile([0.5, 0.1, 0.0, -0.1, 0.0, 0.9, 0.0, 0.05, 0.1, 0.0], (16, 1)),
        np.zeros((16, 4)),
        np.tile([0.6, 0.8], (8, 1)),
        np.tile([0.8, -0.6], (8, 1)),
    ),
    "feedback.turn_pairs": lambda: (noise(16), noise(8, 2), noise(8, 2, seed=1)),
    "moves.add_columns": lambda: (noise(9, 3, 2), noise(9, 2, 2, seed=1), np.array([[0, 0], [0, 2], [1, 1]])),
    "moves.fade_gain": lambda: (0, 60, 60, 12.5, 20.0),
    "moves.ride_gain": lambda: (np.array([0.1, 0.2, 0.5]), np.array([0.0, -6.0, -3.0]), 100.0, 3, 60),
    "flat.flat_runs": lambda: (
        np.array([0.0, 0.1, 0.5, 0.5, 0.5, 0.2, 0.2, 0.2, 0.1, -0.5, -0.5, -0.5, 0.0, 0.0, 0.0, 0.3]),
        3,
        1e-4,
        0.02,
        np.zeros(6),
        np.zeros(256),
    ),
    "foresee.foreseeing": lambda: (noise(60, 2), 4),
    "foresee.surprises": lambda: (noise(20, 2), noise(4, seed=1)),
    "foresee._products": lambda: (noise(20, 2), 4),
    "fourier.circle": lambda: (0.7,),
    "fourier.convolve_block": lambda: (
        noise(16, 2),
        noise(3, 2, 16, seed=1),
        noise(3, 2, 16, seed=2),
        noise(3, 2, 16, seed=3),
        1,
        fourier.turns_of(16),
    ),
    "fourier.even_transform": lambda: (noise(9), fourier.turns_of(16)),
    "fourier.gains_of": lambda: (
        np.array([[1.1, -1.8, 0.8, -1.7, 0.75], [0.9, -0.9, 0.0, 0.2, 0.0]]),
        fourier.turns_of(16),
    ),
    "fourier.highest_between": lambda: (noise(120), noise(4 * 8), 10, 50, 0.3),
    "fourier.spectra_of": lambda: (noise(24), fourier.turns_of(16)),
    "fourier.transform": lambda: (noise(2, 16), fourier.turns_of(16)),
    "fourier.turns_of": lambda: (16,),
    "fraction.hold_back": lambda: (noise(128), noise(127, 2, seed=1), noise(20, 2, seed=2)),
    "lanes.mix_sides": lambda: (noise(9, 3, 2), ((1.1, -0.1), (0.2, 0.9))),
    "lanes.multiply_bus": lambda: (noise(9, 2), noise(9, low=0.0)),
    "lanes.multiply_lanes": lambda: (noise(9, 3, 2), noise(9, low=0.0)),
    "limit.ease": lambda: (
        noise(80, low=0.1),
        whole(5, 6, 6),
        np.full((3, 6), limit.ONE),
        whole(5, 6, 6) * limit.ONE,
        whole(0, 0, 0),
    ),
    "limit.peak_in_cells": lambda: (noise(64, 2), 8, np.zeros((2, 2)), 1.0),
    "limit.peak_of_cell": lambda: (noise(20), np.zeros(16)),
    "limit.reaches": lambda: (noise(30), 2, 22, 0.99),
    "limit.refined": lambda: (0.5, 0.9, 0.6),
    "limit.release": lambda: (
        np.concatenate([np.repeat(noise(10, low=0.2), 8), np.ones(60)]),
        0.8,
        0.9,
        0.7,
        0.5,
        np.zeros(2),
    ),
    "limit.run_mean": lambda: (whole(*range(20)), 6, whole(*range(8)), 15, 4),
    "limit.slide_minimum": lambda: (noise(80), 7, np.zeros(7), np.zeros(7, dtype=np.int64), whole(0, 0, 0)),
    "loudness.cell_edge": lambda: (7, 44100),
    "loudness.cell_edges": lambda: (9, 11025),
    "loudness.energy": lambda: (noise(40), 30),
    "loudness.move": lambda: (noise(5), np.zeros(9)),
    "loudness.sweep": lambda: (np.array([1e-31, -0.5, -1e-31]),),
    "loudness.weigh": lambda: (noise(16 + 32), weighting(), noise(40), noise(40, seed=1), 30),
    "loudness.weigh_into_cells": lambda: (
        noise(2 * 700),
        weighting(),
        noise(loudness.PAST, seed=1),
        noise(loudness.room_for_a_cell(6000), seed=2),
        30,
        0,
        60 * loudness.CELLS_PER_SECOND,
        np.zeros(14),
    ),
    "narrow.side_gain": lambda: (
        np.concatenate([bursts(), bursts() * [1, -0.2], np.zeros((900, 2))]),
        -0.2,
        0.9,
        0.8,
        np.array([0.0, 0.0, 0.0, 1.0]),
    ),
    "oversample.between": lambda: (noise(100), whole([20, 22], [18, 24]), noise(2), 2, 60, 30),
    "oversample.double": lambda: (*half_bands(upwards=True), 1, 10),
    "oversample.forget": lambda: (noise(90), 5, 40, 2, 8, 6),
    "oversample.halve": lambda: (*half_bands(upwards=False), 1, 10),
    "oversample.lower_rate": lambda: (
        *half_bands(upwards=False, pairs=2),
        noise(28, 4),
        noise(28, 2, seed=1),
    ),
    "oversample.raise_rate": lambda: (*half_bands(upwards=True, pairs=2), noise(7, 4)),
    "pace._reduction_behind": lambda: (-18.0, np.array([-20.0, 4.0, 6.0, 1000.0])),
    "pace._step": lambda: (0.5, 0.9, 0.99, 3, 0.2, 0.0),
    "pace.follow_and_hold": lambda: (
        noise(2, 60, low=0.0),
        0.5,
        0.9,
        3,
        np.array([0.0, 1.0]),
        np.zeros(2),
    ),
    "pace.follow_own_output": lambda: (
        noise(2, 60, low=-40.0, high=0.0),
        np.array([-20.0, 4.0, 6.0, 10.0]),
        0.5,
        0.5,
        0.9,
        3,
        np.zeros(2),
        np.zeros(2),
    ),
    "pcm.pack_24": lambda: (np.array([-(2**23), -1, 2**23 - 1], np.int32), np.zeros(9, np.uint8)),
    "pcm.unpack_24": lambda: (np.arange(3, 255, 7, dtype=np.uint8), np.zeros(12)),
    "peaks.look": lambda: (
        np.concatenate([np.zeros((20, 2)), noise(40, 2)]),
        10,
        peaks.interpolator(6, 60.0, 0.5),
        0.1,
        np.concatenate([np.zeros(2), np.ones(38)]),
        np.zeros(40),
    ),
    "peaks.near_samples": lambda: (noise(40, 2), 10, 20),
    "peaks.tallest": lambda: (np.array([0.1, 0.4, 0.9, 0.8, 0.2, 0.3, 0.1, 0.0, 0.2, 0.1]),),
    "remainders.share_out": lambda: (
        np.concatenate([np.zeros((1, 3, 2)), noise(9, 3, 2) * 40]),
        np.concatenate([[[1, 1]], np.rint(noise(9, 3, 2).sum(axis=1) * 40) + 1]).astype(np.int32),
        np.empty((10, 3, 2), np.int32),
    ),
    "shape.tanh_ratio": lambda: (np.concatenate([bursts(), np.full((2, 2), 1e-9)]), 4.0, 0.8),
    "shape.twice": lambda: (-0.3,),
    "spectrum.add_power": lambda: (noise(2, 9) + 1j * noise(2, 9, seed=1), np.ones((2, 9))),
    "spectrum.quarter_sine": lambda: (12,),
    "spectrum.window_channels": lambda: (noise(40, 2), noise(12, low=0.0), np.empty((2, 40))),
    "stereo.largest": lambda: (noise(40).view(np.int64),),
    "stereo.tally": lambda: (noise(80), np.zeros(4)),
    "synth._power": lambda: (complex(0.9, 0.3), 13),
    "synth.add_burst": lambda: (np.zeros((200, 2)), 20, noise(50), 30, 60.0, 0.5),
    "synth.add_modes": lambda: (
        np.zeros((400, 2)),
        20,
        np.array([300.0, 1100.0, 4000.0]),
        noise(3, 2),
        np.array([0.05, 0.5, 0.1]),
        0.002,
        0.01,
        0.02,
        8000,
    ),
    "synth.add_reflections": lambda: (
        np.zeros((60, 2)),
        noise(60, 2),
        np.array([[3, 7], [20, 31]]),
        noise(2, 2),
    ),
    "synth.add_resonances": lambda: (
        np.zeros((80, 2)),
        np.concatenate([noise(10, 2), np.zeros((70, 2))]),
        np.array([500.0, 1500.0]),
        np.array([0.7, 8.0]),
        np.array([1.0, 0.5]),
        8000,
    ),
    "synth.add_voice": lambda: (
        np.zeros((300, 2)),
        np.array([1.0, 0.4]),
        np.array([400.0, 410.0, 415.0, 400.0, 400.0]),
        np.array([0.0, 1.0, 0.5, 0.0, 0.0]),
        np.array([500.0, 5000.0, 50000.0, 500.0, 500.0]),
        0.1 * noise(40),
        60,
        8000,
    ),
    "synth.soften": lambda: (np.concatenate([noise(20, 2), np.zeros((200, 2))]), 3000.0, 8000),
    "tally.depth_db": lambda: (0.3,),
    "tally.last_of_slot": lambda: (7, 44),
    "tally.tally_reduction": gain_and_counters,
    "true_peak.fill_half_way": lambda: (single(70), single(12), np.zeros(60, np.float32), 20),
    "true_peak.fill_quarters": lambda: (single(24), single(24), single(2), np.zeros((2, 20), np.float32)),
    "true_peak.interpolated_peak": lambda: (
        np.concatenate([noise(2 * 200), 0.1 * noise(2 * 100)]),
        noise(2 * 27),
        noise(1, 28, 8),
        single(12),
        single(2),
        np.array([20.0, 1.2, 0.3, 1.1, 0.1]),
        0.01,
    ),
    "true_peak.largest": lambda: (single(40).view(np.int32), single(40, seed=1).view(np.int32)),
    "true_peak.look": lambda: (noise(55), noise(2, 28, 8), np.zeros(8)),
    "true_peak.move": lambda: (noise(5), np.zeros(9)),
    "true_peak.search": lambda: (
        single(12),
        single(14, seed=1),
        noise(64),
        single(2),
        noise(1, 28, 8),
        np.array([20.0, 1.2, 0.3, 1.1, 0.1]),
        np.array([1.0, 0.8]),
    ),
    "echo.blend": lambda: (
        np.zeros((9, 3, 2)),
        *(noise(9, 3, 2), noise(9, 3, 2, seed=1), 0.7),
        *(((0.5, 0.1), (0.2, 0.6)), noise(9, low=0.0)),
    ),
    "echo.feed": lambda: (
        np.ones((9, 3, 2)),
        *(noise(9, 3, 2), noise(9, 3, 2, seed=1)),
        *(((0.5, 0.5), (0.0, 0.1)), ((0.0, 0.7), (0.6, 0.0))),
    ),
    "echo.rested": lambda: (-1e-31,),
    "moving_taps.add_copies": lambda: (
        noise(9, 3, 2),
        noise(3, 70, seed=1),
        noise(2, 9, low=16.0, high=40.0),
        moving_taps.weights(),
        noise(2, 2),
    ),
    "moving_taps.wander": lambda: (noise(2, 4, low=20.0, high=40.0), np.array([7.0, 5.5]), -3, 60),
    "gating.below": lambda: (-45.0, -40.0, 2.0, 12.0),
    "gating.follow_gate": lambda: (
        *(noise(80, low=-60.0, high=-20.0), -40.0, 4.0, 2.0, 12.0, 0.5, 0.9),
        np.array([12.0, 0.0]),
    ),
    "gating.follow_body": lambda: (*(noise(60, low=0.0), noise(60, low=0.0, seed=1), 0.5, 0.9), np.ones(1)),
    "gating.share_above": lambda: (noise(60, low=-9.0, high=9.0), 2.0, 6.0),
}

every_kernel = pytest.mark.parametrize("name", KERNELS)


def example(name):
    assert name in EXAMPLES, (
        f"kernel {name} has no example: add one to EXAMPLES in tests/contract/test_kernels.py"
    )
    return EXAMPLES[name]()


def outcome(function, arguments):
    """What a call returns and what its arguments have become, as bytes."""
    arguments = copy.deepcopy(arguments)
    with np.errstate(over="ignore"):  # whole numbers that wrap are meant to
        returned = function(*arguments)
    return [np.asarray(value).tobytes() for value in (returned, *arguments) if value is not None]


def lines_reached(function, arguments):
    """Lines of a plain function that a call runs."""
    reached, before = set(), sys.gettrace()

    def trace(frame, event, _):
        if frame.f_code is function.__code__:
            reached.add(frame.f_lineno)
            return trace
        return None

    sys.settrace(trace)
    try:
        outcome(function, arguments)
    finally:
        sys.settrace(before)
    return reached


def test_kernels_are_found_and_no_example_is_left_over():
    assert KERNELS
    assert set(EXAMPLES) - set(KERNELS) == set()


@every_kernel
def test_the_compiled_kernel_gives_the_bits_of_its_plain_python(name):
    arguments = example(name)
    assert outcome(KERNELS[name], arguments) == outcome(KERNELS[name].py_func, arguments)


@every_kernel
def test_the_example_reaches_every_line(name):
    code = KERNELS[name].py_func.__code__
    lines = {line for *_, line in code.co_lines() if line not in {None, code.co_firstlineno}}
    assert lines <= lines_reached(KERNELS[name].py_func, example(name)) | {code.co_firstlineno}


@every_kernel
def test_a_kernel_calls_only_kernels_of_its_own_file(name):
    """Numba's cache does not see that a kernel in another file has changed."""
    function = KERNELS[name].py_func
    named = (function.__globals__.get(word) for word in function.__code__.co_names)
    called = [made.py_func.__module__ for made in named if isinstance(made, Dispatcher)]
    assert set(called) <= {function.__module__}


@every_kernel
def test_a_kernel_is_compiled_without_liberties_and_lets_other_threads_run(name):
    options = KERNELS[name].targetoptions
    assert not options.get("fastmath")
    assert not options.get("parallel")
    assert options["nogil"]


@pytest.mark.parametrize("name", MODULES)
def test_kernels_know_nothing_of_the_rest_of_the_package(name):
    origins = {
        getattr(thing, "__module__", None) or getattr(thing, "__name__", "")
        for thing in vars(MODULES[name]).values()
    }
    ours = {origin for origin in origins if origin.startswith("busproc.")}
    shared = {"busproc.kernels.jit", "busproc.kernels.vector", "busproc.kernels.window"}
    assert ours <= {f"busproc.kernels.{name}", *shared}
