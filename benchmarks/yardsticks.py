"""What our kernels are timed against: C built on the spot, and how two things are timed side by side."""

import ctypes
import shutil
import subprocess
import tempfile
import time
from pathlib import Path

import numpy as np
import pytest

from busproc.stages.context import Context

RATE_HZ = 48000
SECONDS = 30
BLOCK_FRAMES = 4096


def noise(columns=2):
    """The sound that all work on, `(frames, columns)`."""
    return 0.3 * np.random.default_rng(1).standard_normal((SECONDS * RATE_HZ, columns))


def in_blocks(function, sound):
    """Feed a sound block by block, as a render does."""
    for at in range(0, len(sound), BLOCK_FRAMES):
        function(sound[at : at + BLOCK_FRAMES])


def block_again(function, sound):
    """Feed the first block as often as the sound has blocks: it stays in cache, as between stages."""
    block = sound[:BLOCK_FRAMES]
    for _ in range(0, len(sound), BLOCK_FRAMES):
        function(block)


def stage_on_lanes(stage, lanes=1):
    """A stage that takes blocks `(frames, lanes, 2)` as in a render, but keeps nothing for the log."""
    here = Context(RATE_HZ)
    plan = stage.plan(here)
    state = stage.start(plan, lanes, here, watched=False)
    return lambda block: stage.process(plan, state, block, {})


def built_from_c(name, *, fused):
    """The library of `benchmarks/c/<name>.c`, by gcc -O3 -march=native.

    With `fused` the compiler may join a product and a sum, its default, which ours may not.
    """
    compiler = shutil.which("gcc") or shutil.which("cc")
    if compiler is None:
        pytest.skip("no C compiler here: nothing to compare with")
    library = Path(tempfile.mkdtemp()) / f"{name}.so"
    source = Path(__file__).parent / "c" / f"{name}.c"
    contraction = "-ffp-contract=" + ("fast" if fused else "off")
    options = [
        "-O3",
        "-march=native",
        contraction,
        "-fno-math-errno",
        "-fno-trapping-math",
        "-shared",
        "-fPIC",
    ]
    subprocess.run([compiler, *options, str(source), "-o", str(library), "-lm"], check=True)
    return ctypes.CDLL(str(library))


def passed(*arguments):
    """Arrays as pointers to their first value, whole numbers as long, others as double."""
    return [
        ctypes.c_void_p(one.ctypes.data)
        if isinstance(one, np.ndarray)
        else ctypes.c_long(one)
        if isinstance(one, int)
        else ctypes.c_double(one)
        for one in arguments
    ]


def blocks_in_c(sound):
    """Blocks of a sound as C takes them, (pointer, frames), made before the clock runs."""
    blocks = [sound[at : at + BLOCK_FRAMES] for at in range(0, len(sound), BLOCK_FRAMES)]
    return [passed(block, len(block)) for block in blocks]


def least_cpu_ns_a_frame(functions, rounds=7):
    """Least CPU time of each, taken in turns: other work on the machine then disturbs all alike."""
    times = {name: [] for name in functions}
    for _ in range(rounds):
        for name, function in functions.items():
            start = time.process_time()
            function()
            times[name].append(time.process_time() - start)
    return {name: min(each) / (SECONDS * RATE_HZ) * 1e9 for name, each in times.items()}


def report(benchmark, ours, found):
    """Print nanoseconds a frame and how many times as long each takes as ours; keep them."""
    for name, each in found.items():
        print(f"\n  {name:28} {each:8.2f} ns/frame {each / found[ours]:6.2f} x {ours}", end="")
        benchmark.extra_info[name] = round(each, 2)
