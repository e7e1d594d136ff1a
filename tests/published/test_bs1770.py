"""Rec. ITU-R BS.1770-5 (11/2023): the filter of Annex 1, the calibration, the gates."""

import numpy as np
import pytest
from scipy import signal

from busproc.measure import measure
from busproc.measure.loudness import k_weighting
from tests.published.loudness_signals import programme, tone_steps

TABLE_1_SHELF = (
    (1.53512485958697, -2.69169618940638, 1.19839281085285),
    (-1.69065929318241, 0.73248077421585),
)
TABLE_2_HIGH_PASS = ((1.0, -2.0, 1.0), (-1.99004745483398, 0.99007225036621))
STANDARD_RATES_HZ = (44100, 48000, 88200, 96000, 176400, 192000, 384000)
METER_TOLERANCE_LU = 0.1
"""BS.1770-5's meters are held to +-0.1 LU by Report ITU-R BS.2217 (figure second-hand)."""


def response_db(rate_hz, freqs_hz):
    design = k_weighting(rate_hz)
    _, shelf = signal.freqz(design.shelf_b, (1, *design.shelf_a), worN=freqs_hz, fs=rate_hz)
    _, high_pass = signal.freqz(design.high_pass_b, (1, *design.high_pass_a), worN=freqs_hz, fs=rate_hz)
    return 20 * np.log10(np.abs(shelf * high_pass))


def test_at_48_khz_the_filter_is_that_of_tables_1_and_2():
    design = k_weighting(48000)
    for got, table in (
        (design.shelf_b, TABLE_1_SHELF[0]),
        (design.shelf_a, TABLE_1_SHELF[1]),
        (design.high_pass_b, TABLE_2_HIGH_PASS[0]),
        (design.high_pass_a, TABLE_2_HIGH_PASS[1]),
    ):
        np.testing.assert_allclose(got, table, rtol=0, atol=1e-12)


@pytest.mark.parametrize("rate_hz", STANDARD_RATES_HZ)
def test_other_rates_have_the_response_of_48_khz(rate_hz):
    freqs_hz = np.geomspace(10, 20000, 400)
    np.testing.assert_allclose(response_db(rate_hz, freqs_hz), response_db(48000, freqs_hz), atol=0.009)


@pytest.mark.parametrize(
    ("rate_hz", "within_db"), [(32000, 0.011), (22050, 0.04), (11025, 0.15), (8000, 0.3)]
)
def test_low_rates_have_the_response_of_48_khz_up_to_their_nyquist(rate_hz, within_db):
    freqs_hz = np.geomspace(10, 0.49 * rate_hz, 400)
    np.testing.assert_allclose(response_db(rate_hz, freqs_hz), response_db(48000, freqs_hz), atol=within_db)


@pytest.mark.parametrize("rate_hz", STANDARD_RATES_HZ)
def test_997_hz_at_full_scale_in_one_channel_reads_minus_3_01(rate_hz):
    tone = tone_steps(rate_hz, [(0.0, 5.0)], freq_hz=997.0)
    tone[:, 1] = 0.0
    # Annex 1, calibration statement; the printed digits leave 0.005, the filter's response 0.006
    assert measure(tone, rate_hz).integrated_lufs == pytest.approx(-3.01, abs=0.011)
    assert measure(tone[:, :1], rate_hz).integrated_lufs == pytest.approx(-3.01, abs=0.011)


@pytest.mark.parametrize(
    ("freq_hz", "peak_dbfs"),
    [(25, -11.916), (100, -21.176), (500, -22.352), (1000, -23.007), (2000, -25.380), (10000, -26.351)],
)
def test_tones_over_the_range_read_minus_23(freq_hz, peak_dbfs):
    # the six frequencies of Report ITU-R BS.2217 (second-hand); peaks computed from Tables 1 and 2
    reading = measure(tone_steps(48000, [(peak_dbfs, 5.0)], freq_hz), 48000)
    assert reading.integrated_lufs == pytest.approx(-23.0, abs=0.002)


@pytest.mark.parametrize("rate_hz", [8000, 11025, 16000, 22050, 32000])
def test_low_rates_read_a_500_hz_tone_as_48_khz_does(rate_hz):
    reading = measure(tone_steps(rate_hz, [(-23.0, 5.0)], freq_hz=500.0), rate_hz)
    full = measure(tone_steps(48000, [(-23.0, 5.0)], freq_hz=500.0), 48000)
    assert reading.integrated_lufs == pytest.approx(full.integrated_lufs, abs=METER_TOLERANCE_LU)


def loudness_by_the_letter(audio):
    """Annex 1 as it reads, at 48 kHz: filter, blocks of 400 ms each 100 ms, both gates."""
    weighted = audio
    for b, a in (TABLE_1_SHELF, TABLE_2_HIGH_PASS):
        weighted = signal.lfilter(b, (1, *a), weighted, axis=0)
    blocks = [
        np.mean(weighted[start : start + 19200] ** 2, axis=0).sum()
        for start in range(0, len(audio) - 19200 + 1, 4800)
    ]
    power = np.array(blocks)
    loud = -0.691 + 10 * np.log10(np.maximum(power, 1e-300))
    past_absolute = loud > -70
    gate = -0.691 + 10 * np.log10(power[past_absolute].mean()) - 10
    return -0.691 + 10 * np.log10(power[past_absolute & (loud > gate)].mean())


@pytest.mark.parametrize("seconds", [12.0, 12.0999, 12.1])
def test_programme_reads_what_annex_1_says_to_the_letter(seconds):
    audio = programme(48000, seconds, seed=3)
    assert measure(audio, 48000).integrated_lufs == pytest.approx(loudness_by_the_letter(audio), abs=1e-9)


def test_blocks_at_minus_70_and_under_do_not_count():
    faint = tone_steps(48000, [(-72.0, 5.0)])
    assert measure(faint, 48000).integrated_lufs is None
    assert measure(faint, 48000).momentary_max_lufs == pytest.approx(-72.0, abs=METER_TOLERANCE_LU)


def test_blocks_10_lu_under_the_rest_do_not_count():
    # levels 12 LU apart for equal times leave a gate 13 LU under the loud part, 15 LU apart one at 13 too
    kept = measure(tone_steps(48000, [(-18.0, 10.0), (-30.0, 10.0)]), 48000).integrated_lufs
    gated = measure(tone_steps(48000, [(-18.0, 10.0), (-33.0, 10.0)]), 48000).integrated_lufs
    assert kept == pytest.approx(-20.74, abs=0.01)  # 10 lg of the mean of both powers, computed
    assert gated == pytest.approx(-18.0, abs=METER_TOLERANCE_LU)
