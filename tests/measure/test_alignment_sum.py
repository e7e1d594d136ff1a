"""What the sum of two sounds gains and loses before and after the correction, and its first notch."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from busproc.kernels import fraction
from busproc.measure.alignment import align_pair
from tests.measure.test_alignment_cases import DELAYS, RATE_HZ, late, pair, sound

pytestmark = pytest.mark.slow


def corrected(other, found):
    """The other sound with delay and polarity undone by our own filter, and how late the filter is."""
    whole, part = fraction.parted(-found.delay_frames)
    made = fraction.hold_back(fraction.taps_of(part), fraction.start(1), other[:, None])[:, 0]
    return found.polarity * np.roll(made, whole - fraction.LATENCY_FRAMES)


def third_octaves(one, other):
    """Power of the two apart, of their sum, and the phase between them, by bands cut by FFT (scipy's csd)."""
    options = {"fs": RATE_HZ, "nperseg": 32768}
    freqs_hz, cross = signal.csd(one, other, **options)
    apart = sum(signal.welch(each, **options)[1] for each in (one, other))
    summed = signal.welch(one + other, **options)[1]
    for band in range(-10, 13):
        inside = (freqs_hz > 1000 * 10 ** (band / 10 - 0.05)) & (freqs_hz < 1000 * 10 ** (band / 10 + 0.05))
        mid_hz, sums = 1000 * 10 ** (band / 10), [lines[inside].sum() for lines in (summed, apart, cross)]
        yield mid_hz, 10 * np.log10(sums[0] / sums[1]), np.degrees(np.angle(sums[2]))


@pytest.mark.parametrize("frames", DELAYS)
@pytest.mark.parametrize("polarity", [1, -1])
def test_the_corrected_sum_has_all_it_could_have(frames, polarity):
    """Found in noise of -20 dB, applied to the sounds without it: 3.01 dB is all that two alike can gain."""
    source = sound("bursts", 5, 8)
    found = align_pair(*pair(source, frames, polarity, 20, seed=8), RATE_HZ)
    back = corrected(polarity * late(source, frames), found)
    for mid_hz, gain_db, phase_deg in third_octaves(source, back):
        assert gain_db == pytest.approx(20 * np.log10(2) - 10 * np.log10(2), abs=0.1), mid_hz
        assert phase_deg == pytest.approx(0, abs=1), mid_hz


@pytest.mark.parametrize(("frames", "polarity"), [(37.37, 1), (-111.1, -1), (3.3, -1)])
def test_the_bands_are_those_of_the_sum(frames, polarity):
    source = sound("bursts", 5, 9)
    one, other = pair(source, frames, polarity, 30, seed=9)
    found = align_pair(one, other, RATE_HZ)
    bands = {round(band.midband_hz): band for band in found.bands}
    for mid_hz, gain_db, _ in third_octaves(one, other):
        assert max(bands[round(mid_hz)].now_db, -20) == pytest.approx(max(gain_db, -20), abs=0.4), mid_hz
    for mid_hz, gain_db, _ in third_octaves(one, corrected(other, found)):
        band = bands[round(mid_hz)]
        assert band.after_db == pytest.approx(gain_db, abs=0.05), mid_hz
        assert band.lost_after_db < 0.1
        assert band.lost_now_db == pytest.approx(band.most_db - band.now_db)


def test_noise_of_its_own_cannot_be_gained():
    """Noise as strong as the sound: both together 1 + (1 + 1) / 2 (1 + 1) times the powers apart at most."""
    found = align_pair(*pair(sound("white", 30, 19), 20.5, 1, 0, seed=19), RATE_HZ)
    for band in found.bands:
        if band.midband_hz > 400:
            assert band.most_db == pytest.approx(10 * np.log10(1.5), abs=0.1), band
            assert band.after_db == pytest.approx(10 * np.log10(1.5), abs=0.15), band


@pytest.mark.parametrize(
    ("frames", "polarity", "notch_hz"),
    [(24, 1, 1000), (-24, 1, 1000), (24, -1, 2000), (400, 1, 60), (2, 1, 12000)],
)
def test_the_first_notch_is_where_theory_says(frames, polarity, notch_hz):
    source = sound("bursts", 5, 10)
    notch = align_pair(*pair(source, frames, polarity, 40, seed=10), RATE_HZ).notch
    assert notch.theory_hz == pytest.approx(notch_hz, rel=0.001)
    assert notch.measured_hz == pytest.approx(notch_hz, rel=0.02)


def test_the_measured_notch_is_not_the_theory():
    """An all-pass besides the delay moves it; of that the theory knows nothing."""
    source = sound("white", 5, 11)
    turned = signal.lfilter([-0.8, 1.0], [1.0, -0.8], late(source, 60))
    notch = align_pair(source, turned, RATE_HZ).notch
    summed = signal.welch(source + turned, RATE_HZ, nperseg=16384)
    inside = np.abs(summed[0] - notch.measured_hz) < 200
    lowest_hz = summed[0][inside][np.argmin(signal.medfilt(summed[1][inside], 5))]
    assert notch.measured_hz == pytest.approx(lowest_hz, abs=12)
    assert abs(notch.measured_hz / notch.theory_hz - 1) > 0.02


def test_no_notch_is_told_over_the_top():
    source = sound("bursts", 4, 12)
    assert align_pair(*pair(source, 0.9, 1, 40), RATE_HZ).notch is None
