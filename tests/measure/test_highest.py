"""The highest peak against the same search without a shortcut, and the bounds that allow the shortcuts."""

import math

import numpy as np
import pytest

from busproc.kernels import peaks
from busproc.measure import highest as design
from busproc.measure.highest import BODY_FRAMES, EDGE_FRAMES, PAD_FRAMES, highest_peak
from tests.published.loudness_signals import programme

RATE_HZ = 48000
CLOSE_DB = 1e-6


def reader(sound):
    def read(first, frames):
        block = np.zeros((frames, 2))
        start, stop = max(first, 0), min(first + frames, len(sound))
        if stop > start:
            block[start - first : stop - first] = sound[start:stop]
        return block

    return read


def by_fourier(wave):
    """Eight times the rate, edges off, a parabola through every peak."""
    spectrum = np.fft.rfft(wave)
    spectrum[-1] /= 2  # half of what is at half the rate lies above it
    fine = np.abs(np.fft.irfft(spectrum, 8 * len(wave))) * 8
    before, middle, after = fine[:-2], fine[1:-1], fine[2:]
    with np.errstate(divide="ignore", invalid="ignore"):
        top = middle - (before - after) ** 2 / (8 * (before - 2 * middle + after))
    tops = np.where((middle > before) & (middle >= after), top, middle)
    return tops[8 * EDGE_FRAMES : -8 * EDGE_FRAMES].max()


def searched(sound, *, fourier):
    """Every tile in order, nothing left out but what the bank leaves."""
    read, end, found = reader(sound), len(sound) + PAD_FRAMES, [0.8 * np.abs(sound).max()]
    for first in range(-PAD_FRAMES, end, BODY_FRAMES):
        body = min(BODY_FRAMES, end - first)
        inner = read(first - peaks.MARGIN, body + 2 * peaks.MARGIN)
        found.append(peaks.peaks_over(inner, found[0]).max())
        tile = read(first - EDGE_FRAMES, body + body % 2 + 2 * EDGE_FRAMES)
        found += [by_fourier(side) for side in tile.T] if fourier else []
    return max(found)


def noise(frames, seed=0):
    return 0.2 * np.random.default_rng(seed).standard_normal((frames, 2))


def low_passed(frames, up_to):
    """Noise up to a share of the rate, silent at its ends so that nothing else is made."""
    spectrum = np.fft.rfft(noise(frames), axis=0)
    spectrum[np.fft.rfftfreq(frames) > up_to] = 0
    return np.fft.irfft(spectrum, frames, axis=0) * np.hanning(frames)[:, None] ** 2


SOUNDS = {
    "two tiles and some": lambda: noise(110_001),
    "one side": lambda: noise(60_000) * [0, 1],
    "loudest at the end": lambda: noise(120_000) * np.linspace(0.1, 1, 120_000)[:, None] ** 4,
    "clipped": lambda: np.clip(noise(60_000), -0.3, 0.3),
    "short": lambda: noise(333),
    "music": lambda: programme(RATE_HZ, 3, seed=3),
    "a click": lambda: np.eye(5000, 2),
}


@pytest.mark.parametrize("name", SOUNDS)
def test_the_search_without_shortcuts_finds_the_same(name):
    sound = SOUNDS[name]()
    found = highest_peak(reader(sound), len(sound))
    assert abs(20 * math.log10(found / searched(sound, fourier=True))) < CLOSE_DB


def test_what_stays_well_under_half_the_rate_is_left_to_the_bank():
    sound = low_passed(60_000, up_to=0.3)
    assert highest_peak(reader(sound), len(sound)) == searched(sound, fourier=False)


def test_fourier_reads_what_no_interpolator_of_the_bank_does():
    sound = noise(60_000, seed=2)
    assert highest_peak(reader(sound), len(sound)) > 1.02 * searched(sound, fourier=False)


def test_silence_has_no_peak():
    assert highest_peak(reader(np.zeros((0, 2))), 0) == 0
    assert highest_peak(reader(np.zeros((70_000, 2))), 70_000) == 0


def test_twice_the_highest_for_twice_the_sound():
    sound = SOUNDS["short"]()
    assert highest_peak(reader(2 * sound), len(sound)) == 2 * highest_peak(reader(sound), len(sound))


def test_a_fourier_series_cannot_rise_further_over_its_samples():
    size = BODY_FRAMES + 2 * EDGE_FRAMES
    tangents = [math.tan(math.pi * (k + 0.5) / size) for k in range(size)]
    assert 7.5 < math.fsum(abs(1 / tangent) for tangent in tangents) / size < design.TIMES_THE_SAMPLES


def test_a_fourier_series_cannot_rise_further_over_half_way_values():
    # the worst: half the rate itself, its peaks midway between the values known, a quarter of a frame off
    known = np.cos(math.pi * (np.arange(400) / 2 + 0.25))
    assert 1 / np.abs(known).max() == pytest.approx(design.TIMES_THE_HALVES, abs=1e-4)
    assert 1 / np.abs(known).max() < design.TIMES_THE_HALVES
    assert 1 - np.abs(known).max() < design.BEND
