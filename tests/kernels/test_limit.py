"""The limiter's short cuts change nothing: cells passed over, means without a division."""

from __future__ import annotations

import itertools

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busproc.kernels import limit

FACTOR = 8


def peak_by_peak(fine, before, middle):
    """Cell by cell, sample by sample, as the docstring says: of one side."""
    peaks = []
    for cell in np.abs(fine).reshape(-1, FACTOR):
        peak = 0.0
        for after in cell:
            if middle > before and middle >= after:
                bend = before - 2 * middle + after
                peak = max(peak, middle - (before - after) ** 2 / (8 * bend))
            peak = max(peak, after)
            before, middle = middle, after
        peaks.append(peak)
    return np.array(peaks)


@settings(max_examples=30)
@given(floor=st.sampled_from([0.0, 0.5, 0.9]), cells=st.lists(st.integers(0, 9)), seed=st.integers(0, 10**6))
def test_a_peak_over_the_floor_is_read_to_the_bit_and_no_other_reads_more(floor, cells, seed):
    rng = np.random.default_rng(seed)
    fine = rng.uniform(-1, 1, (40 * FACTOR, 2)) * rng.choice([0.0, 0.3, 0.88, 1.0], (40 * FACTOR, 1))
    memory, edges = np.zeros((2, 2)), np.minimum(np.cumsum([0, *cells, 40]), 40) * FACTOR
    parts = [
        limit.peak_in_cells(fine[first:last], FACTOR, memory, floor)
        for first, last in itertools.pairwise(edges)
    ]
    found = np.concatenate(parts)
    wanted = np.maximum(*(peak_by_peak(side, 0.0, 0.0) for side in fine.T))
    assert np.maximum(found, floor).tobytes() == np.maximum(wanted, floor).tobytes()
    assert (found <= wanted).all()
    np.testing.assert_array_equal(memory, fine[-2:])


def test_a_parabola_rises_by_no_more_than_an_eighth_of_its_middle():
    """So cells whose samples are under `REFINED_FROM` of the floor may be passed over."""
    tops = [limit.refined(a, 1.0, b) for a in np.linspace(0, 0.999, 200) for b in np.linspace(0, 1, 200)]
    assert max(tops) == 1.125
    assert limit.REFINED_FROM * 1.125 < 1


def test_a_mean_is_rounded_down_exactly():
    """Sums on, just under and just over multiples of each length; a resting gain's is where 49 would err."""
    rng = np.random.default_rng(0)
    for length in range(1, 4000):
        multiple = length * int(rng.integers(1, limit.ONE))
        for total in (length * limit.ONE, length * limit.ONE - 1, multiple, multiple - 1, multiple + 1):
            x = np.array([total])
            limit.run_mean(x, length, np.zeros(1, dtype=np.int64), 0, 0)
            assert x[0] == total // length
