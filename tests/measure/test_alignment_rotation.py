"""All-passes that turn one sound towards another, found on the sum."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from busproc.measure.alignment import Aligned, align_pair
from busproc.measure.alignment_rotation import AllPass, fit_rotation
from busproc.stages import filters
from tests.measure.test_alignment_cases import RATE_HZ, late, noisy, sound

pytestmark = pytest.mark.slow


def turned(audio, all_pass):
    b0, b1, b2, a1, a2 = all_pass.section(RATE_HZ)
    return signal.lfilter([b0, b1, b2], [1, a1, a2], audio)


def direct_and_amplified(all_passes, frames=33.3, polarity=1, seed=3):
    """The direct sound is turned where the amplified one should be: undoing it takes the same all-passes."""
    source = sound("bursts", 6, seed)
    direct = source
    for all_pass in all_passes:
        direct = turned(direct, all_pass)
    return noisy(direct, 30, seed + 1), noisy(polarity * late(source, frames), 30, seed + 2)


@pytest.mark.parametrize("all_pass", [AllPass(200, None), AllPass(150, 0.7), AllPass(400, 1.5)])
@pytest.mark.parametrize("polarity", [1, -1])
def test_the_all_pass_is_found(all_pass, polarity):
    direct, amplified = direct_and_amplified([all_pass], polarity=polarity)
    aligned = align_pair(direct, amplified, RATE_HZ)
    rotation = fit_rotation(direct, amplified, RATE_HZ, aligned)
    (found,) = rotation.filters
    assert rotation.polarity == polarity
    assert found.freq_hz == pytest.approx(all_pass.freq_hz, rel=0.02)
    assert (found.q is None) == (all_pass.q is None)
    if all_pass.q:
        assert found.q == pytest.approx(all_pass.q, rel=0.05)
    assert rotation.delayed_db < 2.0
    assert rotation.rotated_db == pytest.approx(3.01, abs=0.1)


def test_the_sum_is_as_loud_as_told():
    """Delayed and turned for real, and measured by scipy's spectra in the same third octaves."""
    direct, amplified = direct_and_amplified([AllPass(200, None)])
    aligned = align_pair(direct, amplified, RATE_HZ)
    rotation = fit_rotation(direct, amplified, RATE_HZ, aligned)
    back = rotation.polarity * late(amplified, -rotation.delay_frames)
    for all_pass in rotation.filters:
        back = turned(back, all_pass)
    heard = [band.midband_hz for band in aligned.bands if band.heard]
    assert mean_gain_db(direct, back, heard) == pytest.approx(rotation.rotated_db, abs=0.1)


def mean_gain_db(one, other, mids_hz):
    freqs_hz, summed = signal.welch(one + other, RATE_HZ, nperseg=32768)
    apart = sum(signal.welch(each, RATE_HZ, nperseg=32768)[1] for each in (one, other))
    inside = [(freqs_hz > mid * 10**-0.05) & (freqs_hz < mid * 10**0.05) for mid in mids_hz]
    return np.mean([10 * np.log10(summed[band].sum() / apart[band].sum()) for band in inside])


@pytest.mark.parametrize(
    "all_passes", [(AllPass(80, None), AllPass(900, 1.0)), (AllPass(60, 1.5), AllPass(300, 0.5))]
)
def test_two_all_passes_are_found_and_the_delay_that_they_had_biased(all_passes):
    direct, amplified = direct_and_amplified(all_passes)
    aligned = align_pair(direct, amplified, RATE_HZ)
    assert abs(aligned.delay_frames - 33.3) > 0.1
    rotation = fit_rotation(direct, amplified, RATE_HZ, aligned)
    assert rotation.delay_frames == pytest.approx(33.3, abs=0.02)
    assert [each.freq_hz for each in sorted(rotation.filters)] == pytest.approx(
        [each.freq_hz for each in all_passes], rel=0.03
    )
    assert rotation.rotated_db == pytest.approx(3.01, abs=0.02)


def test_a_pure_delay_is_not_turned():
    direct, amplified = direct_and_amplified([])
    assert fit_rotation(direct, amplified, RATE_HZ, align_pair(direct, amplified, RATE_HZ)) is None


def test_without_a_delay_nothing_is_turned():
    direct, amplified = direct_and_amplified([])
    assert fit_rotation(direct, amplified, RATE_HZ, Aligned("unknown", "", 0.1)) is None


@pytest.mark.parametrize("q", [None, 0.4, 2.0])
def test_a_section_is_an_all_pass_and_its_response(q):
    all_pass = AllPass(700, q)
    b0, b1, b2, a1, a2 = all_pass.section(RATE_HZ)
    freqs_hz = np.geomspace(20, 20000, 300)
    response = signal.freqz([b0, b1, b2], [1, a1, a2], freqs_hz, fs=RATE_HZ)[1]
    np.testing.assert_allclose(np.abs(response), 1, atol=1e-9)
    np.testing.assert_allclose(all_pass.response(freqs_hz, RATE_HZ), response, atol=1e-9)
    middle = signal.freqz([b0, b1, b2], [1, a1, a2], [700], fs=RATE_HZ)[1][0]
    assert middle == pytest.approx(-1j if q is None else -1, abs=1e-9)


def test_the_second_order_is_that_of_the_stages():
    assert AllPass(700, 0.8).section(RATE_HZ) == pytest.approx(filters.all_pass(700, 0.8, RATE_HZ), abs=1e-12)
