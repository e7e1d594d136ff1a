"""A room and a response of 4 s beside the same in C; how many times real time both stages are.

CPU time in turns, on noise at 48 kHz in blocks of 4096 frames, on one core (scipy: in one piece, its best).
"""

import numpy as np
import pytest
import scipy.signal

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
from busproc.chain import process
from busproc.files import open_writer
from busproc.kernels import feedback
from busproc.stages.context import Context
from busproc.stages.convolve import Convolve, convolver
from busproc.stages.reverb import Reverb

RESPONSE_S = 4
AT_LEAST = {"reverb": 60, "convolve": 40}
"""Times real time that are asked for."""


def room():
    """A network as reverb sets it, with memory of its own."""
    made = Reverb().plan(Context(RATE_HZ)).treatment.network
    ring, memory = np.zeros(made.ends[-1]), np.zeros((16, 4))
    return made.ends, made.ends[:-1].copy(), ring, made.rows, memory, made.turning.copy(), made.turns


def room_ours(sound):
    parts = room()
    return lambda: in_blocks(lambda block: feedback.run_network(block, *parts), sound)


def room_in_c(library, sound, made):
    parts, blocks = room(), blocks_in_c(sound)
    (to,) = passed(made)
    given = passed(*parts)

    def run():
        assert parts is not None  # C writes there
        for block, frames in blocks:
            library.run_network(block, frames, to, *given)

    return run


def response():
    """Noise that dies away, other on the left than on the right."""
    time = np.arange(RESPONSE_S * RATE_HZ) / RATE_HZ
    return np.random.default_rng(2).normal(size=(len(time), 2)) * 10 ** (-3 * time / RESPONSE_S)[:, None]


def response_ours(sound):
    treatment = convolver(response())
    state, lanes = treatment.start(1), sound[:, None]
    treatment.spectra  # noqa: B018  # made once, before the clock runs
    return lambda: in_blocks(lambda block: treatment.apply(state, None, block), lanes)


def response_in_c(library, sound, made):
    treatment = convolver(response())
    same, cross, turns = treatment.spectra
    size, blocks = same.shape[2], len(same)
    past, work, out = np.zeros(same.shape), np.zeros(4 * size), np.empty((size // 2, 2))
    padded = np.concatenate([np.zeros((size // 2, 2)), sound, np.zeros((-len(sound) % (size // 2), 2))])

    def run():
        for block, at in enumerate(range(0, len(sound), size // 2)):
            pieces = padded[at : at + size], same, cross, past, turns, work, out
            library.convolve_block(*passed(*pieces, size, blocks, block % blocks))
            made[at : at + size // 2] = out[: len(made) - at]

    return run


@pytest.mark.parametrize("fused", [False, True])
def test_c_does_the_same_to_a_room(fused):
    sound = noise()[:BLOCK_FRAMES]
    made = np.empty_like(sound)
    room_in_c(built_from_c("feedback", fused=fused), sound, made)()
    wanted = feedback.run_network(sound, *room())
    np.testing.assert_allclose(made, wanted, rtol=0, atol=1e-10 if fused else 0)


@pytest.mark.parametrize("fused", [False, True])
def test_c_does_the_same_to_a_response(fused):
    sound = noise()[: 3 * 16384]
    made = np.empty_like(sound)
    response_in_c(built_from_c("convolve", fused=fused), sound, made)()
    treatment = convolver(response())
    late = treatment.latency_frames
    wanted = treatment.apply(treatment.start(1), None, np.pad(sound, ((0, late), (0, 0)))[:, None])[late:, 0]
    np.testing.assert_allclose(made, wanted, rtol=0, atol=1e-10 if fused else 0)


def in_one_piece(sound):
    return scipy.signal.oaconvolve(sound, response(), axes=0)


@pytest.mark.benchmark(group="space")
def test_a_room(benchmark):
    sound = noise()
    made = np.empty((BLOCK_FRAMES, 2))
    plain, fused = (room_in_c(built_from_c("feedback", fused=fused), sound, made) for fused in (False, True))
    found = least_cpu_ns_a_frame({"ours": room_ours(sound), "C": plain, "C, fused": fused}, rounds=3)
    report(benchmark, "ours", found)
    benchmark.pedantic(room_ours(sound), rounds=1)


@pytest.mark.benchmark(group="space")
def test_a_response_of_4_s(benchmark):
    sound = noise()
    made = np.empty_like(sound)
    plain, fused = (
        response_in_c(built_from_c("convolve", fused=fused), sound, made) for fused in (False, True)
    )
    found = least_cpu_ns_a_frame(
        {
            "ours": response_ours(sound),
            "C": plain,
            "C, fused": fused,
            "scipy oaconvolve": lambda: in_one_piece(sound),
        },
        rounds=3,
    )
    report(benchmark, "ours", found)
    benchmark.pedantic(response_ours(sound), rounds=1)


@pytest.mark.benchmark(group="space")
@pytest.mark.parametrize("tag", AT_LEAST)
def test_a_stage_in_times_of_real_time(benchmark, tag, tmp_path):
    """All that a stage does but its log; and with it, as in a render."""
    file = tmp_path / "response.wav"
    with open_writer(file, "wav", "32_float", RATE_HZ, 2, RESPONSE_S * RATE_HZ) as writer:
        writer.write(0.1 * response())
    stage = Reverb() if tag == "reverb" else Convolve(response=str(file))
    run, sound, eight = stage_on_lanes(stage), noise(), stage_on_lanes(stage, 8)
    lanes = np.repeat(sound[:, None], 8, axis=1)
    found = least_cpu_ns_a_frame(
        {
            "one lane": lambda: in_blocks(run, sound[:, None]),
            "one lane, planned too": lambda: process(stage, sound, RATE_HZ),
            "eight lanes": lambda: in_blocks(eight, lanes),
        },
        rounds=3,
    )
    report(benchmark, "one lane", found)
    times = 1e9 / RATE_HZ / found["one lane"]
    print(f"\n  {tag}: {times:.0f} times real time, at least {AT_LEAST[tag]} are asked for")
    benchmark.extra_info["times_real_time"] = round(times)
    benchmark.pedantic(lambda: in_blocks(run, sound[:, None]), rounds=1)
