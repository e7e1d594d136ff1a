"""Four broad bands: their filters, and power and peak in cells."""

from itertools import pairwise

import numpy as np
import pytest
from scipy import signal

from busproc.measure.bands import EDGES_HZ, NAMES, WHOLE, BandCells, names_at
from busproc.measure.grid import Pieces


def cells_of(audio, rate_hz=48000, per_tenth=1, size=None):
    cells = BandCells(rate_hz, per_tenth)
    for start in range(0, len(audio), size or len(audio)):
        cells.feed(audio[start : start + (size or len(audio))])
    return cells


def noise(frames, seed=1):
    return 0.1 * np.random.default_rng(seed).standard_normal((frames, 2))


@pytest.mark.parametrize("size", [1, 7, 40, 1000])
@pytest.mark.parametrize(("frames", "shared"), [(40, 0), (40, 20), (41, 20)])
def test_pieces_lie_on_a_grid_of_their_own(size, frames, shared):
    audio = noise(1000)
    pieces = Pieces(frames, 2, shared)
    found = [
        piece.copy() for start in range(0, 1000, size) for piece in pieces.of(audio[start : start + size])
    ]
    starts = range(0, 1000 - frames + 1, frames - shared)
    np.testing.assert_array_equal(found, [audio[start : start + frames] for start in starts])


@pytest.mark.parametrize("size", [1, 7, 64, 1000])
def test_block_size_does_not_matter(size):
    audio = noise(9000)
    whole, parts = cells_of(audio, 8000, 50), cells_of(audio, 8000, 50, size)
    np.testing.assert_array_equal(parts.powers(), whole.powers())
    np.testing.assert_array_equal(parts.peaks(), whole.peaks())


@pytest.mark.parametrize(("rate_hz", "frames"), [(44100, 88), (48000, 96)])
def test_cells_hold_what_scipy_filters(rate_hz, frames):
    audio = noise(rate_hz)
    found = cells_of(audio, rate_hz, 50)
    assert found.cell_s == frames / rate_hz
    bands = [signal.butter(4, EDGES_HZ[0], "lowpass", output="sos", fs=rate_hz)]
    bands += [
        np.concatenate(
            [
                signal.butter(4, low, "highpass", output="sos", fs=rate_hz),
                signal.butter(4, high, "lowpass", output="sos", fs=rate_hz),
            ]
        )
        for low, high in pairwise(EDGES_HZ)
    ]
    bands += [signal.butter(4, EDGES_HZ[-1], "highpass", output="sos", fs=rate_hz)]
    sounds = [audio, *(signal.sosfilt(sections, audio, axis=0) for sections in bands)]
    for sound, powers, peaks in zip(sounds, found.powers(), found.peaks(), strict=True):
        inside = sound[: len(powers) * frames].reshape(len(powers), -1)
        np.testing.assert_allclose(powers, (inside**2).mean(axis=1), rtol=1e-9)
        np.testing.assert_allclose(peaks, np.abs(inside).max(axis=1), rtol=1e-9)


@pytest.mark.parametrize(("rate_hz", "bands"), [(8000, 3), (13000, 3), (13400, 4), (192000, 4)])
def test_bands_beyond_the_rate_are_left_out(rate_hz, bands):
    assert cells_of(noise(rate_hz), rate_hz).names == (WHOLE, *NAMES[:bands])
    assert names_at(rate_hz) == NAMES[:bands]


def test_what_fills_no_tenth_of_a_second_is_in_no_cell():
    assert cells_of(noise(4799), 48000).powers().shape == (5, 0)
    assert cells_of(noise(9601), 48000).powers().shape == (5, 2)
