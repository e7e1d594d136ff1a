"""EBU Tech 3341 (2023), table 1, and Tech 3342 (2023), table 1: the minimum requirements for meters.

The signals are made by formula. Left out: case 6 of 3341 (five channels), 7 and 8 of it and 5 and 6 of 3342
(recordings). The layout of the live sequences 11 and 14 is from memory; their targets are published.
"""

import numpy as np
import pytest

from busproc.measure import Meter, measure
from tests.published.loudness_signals import live_segments, peak_burst, peak_tone, tone_steps

TOLERANCE_LU = 0.1
RANGE_TOLERANCE_LU = 1.0
PEAK_BELOW_DB, PEAK_ABOVE_DB = 0.4, 0.2

RATES_HZ = (44100, 48000, 96000)
LIVE_STREAM_RATE_HZ = 48000

INTEGRATED = {
    "1": [(-23, 20)],
    "2": [(-33, 20)],
    "3": [(-36, 10), (-23, 60), (-36, 10)],
    "4": [(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)],
    "5": [(-26, 20), (-20, 20.1), (-26, 20)],
}
PEAK_TONES = {
    "15": ((4, 0.50, 0.0), -6.0),
    "16": ((4, 0.50, 45.0), -6.0),
    "17": ((6, 0.50, 60.0), -6.0),
    "18": ((8, 0.50, 67.5), -6.0),
    "19": ((4, 1.41, 45.0), 3.0),
}
RANGES = {
    "1": ([(-20, 20), (-30, 20)], 10.0),
    "2": ([(-20, 20), (-15, 20)], 5.0),
    "3": ([(-40, 20), (-20, 20)], 20.0),
    "4": ([(-50, 20), (-35, 20), (-20, 20), (-35, 20), (-50, 20)], 15.0),
}


def read(rate_hz, steps):
    meter = Meter(rate_hz, 2)
    meter.feed(tone_steps(rate_hz, steps))
    return meter


def settled(series, after_s):
    return [value for time, value in zip(series.times_s, series.lufs, strict=True) if time >= after_s - 1e-9]


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("case", INTEGRATED)
def test_integrated_loudness(rate_hz, case):
    target = -33.0 if case == "2" else -23.0
    assert read(rate_hz, INTEGRATED[case]).reading().integrated_lufs == pytest.approx(
        target, abs=TOLERANCE_LU
    )


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("case", ["1", "2"])
def test_a_steady_tone_reads_the_same_on_all_three_scales(rate_hz, case):
    meter = read(rate_hz, INTEGRATED[case])
    target = -33.0 if case == "2" else -23.0
    for series in (meter.momentary_series(), meter.short_term_series()):
        np.testing.assert_allclose(series.lufs, target, atol=TOLERANCE_LU)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_9_short_term_stays_constant_after_3_s(rate_hz):
    meter = read(rate_hz, [(-20, 1.34), (-30, 1.66)] * 5)
    np.testing.assert_allclose(settled(meter.short_term_series(), 3.0), -23.0, atol=TOLERANCE_LU)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_12_momentary_stays_constant_after_1_s(rate_hz):
    meter = read(rate_hz, [(-20, 0.18), (-30, 0.22)] * 25)
    np.testing.assert_allclose(settled(meter.momentary_series(), 1.0), -23.0, atol=TOLERANCE_LU)


@pytest.mark.parametrize("part", range(20))
def test_10_short_term_maximum_of_a_file(part):
    reading = read(48000, [(None, 0.15 * part), (-23, 3.0), (None, 1.0)]).reading()
    assert reading.short_term_max_lufs == pytest.approx(-23.0, abs=TOLERANCE_LU)


@pytest.mark.parametrize("rate_hz", [44100, 48000])
@pytest.mark.parametrize("part", range(20))
def test_13_momentary_maximum_of_a_file(rate_hz, part):
    reading = read(rate_hz, [(None, 0.02 * part), (-23, 0.4), (None, 1.0)]).reading()
    assert reading.momentary_max_lufs == pytest.approx(-23.0, abs=TOLERANCE_LU)


@pytest.mark.parametrize(
    ("case", "segments", "attribute"),
    [
        ("11", live_segments(3.0, 0.15, 3.0), "short_term_max_lufs"),
        ("14", live_segments(0.4, 0.02, 0.4), "momentary_max_lufs"),
    ],
)
def test_live_maxima_follow_each_segment(case, segments, attribute):
    stream = tone_steps(LIVE_STREAM_RATE_HZ, [step for segment in segments for step in segment])
    per_segment = len(stream) // 20
    meter = Meter(LIVE_STREAM_RATE_HZ, 2)
    for i in range(20):
        meter.feed(stream[i * per_segment : (i + 1) * per_segment])
        assert getattr(meter.reading(), attribute) == pytest.approx(-38.0 + i, abs=TOLERANCE_LU), case


@pytest.mark.parametrize("rate_hz", [*RATES_HZ, 192000])
@pytest.mark.parametrize("case", PEAK_TONES)
def test_true_peak_of_tones(rate_hz, case):
    (divisor, amplitude, phase_deg), target = PEAK_TONES[case]
    peak = measure(peak_tone(rate_hz, divisor, amplitude, phase_deg), rate_hz).true_peak_dbtp
    assert target - PEAK_BELOW_DB <= peak <= target + PEAK_ABOVE_DB


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("offset", range(4), ids=["20", "21", "22", "23"])
def test_true_peak_of_a_burst_between_samples(rate_hz, offset):
    peak = measure(peak_burst(rate_hz, offset), rate_hz).true_peak_dbtp
    assert -PEAK_BELOW_DB <= peak <= PEAK_ABOVE_DB


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("case", RANGES)
def test_loudness_range(rate_hz, case):
    steps, target = RANGES[case]
    assert read(rate_hz, steps).reading().loudness_range_lu == pytest.approx(target, abs=RANGE_TOLERANCE_LU)
