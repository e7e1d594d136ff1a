"""Our meter beside two by others, on the same made-up programme."""

import math

import numpy as np
import pyloudnorm
import pytest

from busproc.measure import measure
from tests.measure.reference_meters import needs_libebur128, read_ebur128
from tests.published.loudness_signals import programme

AGREEMENT_LU = 0.01
SECONDS = 12.0


def their_extra_lu(rate_hz):
    """What both read above ours: they keep the high-pass numerator, we the gain it has at 48 kHz."""

    def divisor(rate):
        k = math.tan(math.pi * 38.13547087602444 / rate)
        return 1 + k / 0.5003270373238773 + k * k

    return 20 * math.log10(divisor(rate_hz) / divisor(48000))


@needs_libebur128
@pytest.mark.parametrize(("rate_hz", "seed"), [(48000, 1), (44100, 2), (96000, 3), (32000, 4)])
def test_libebur128_reads_the_same_loudness(rate_hz, seed):
    audio = programme(rate_hz, SECONDS, seed)
    ours, theirs = (
        measure(audio, rate_hz),
        read_ebur128(audio, rate_hz, hop_ms=10 if rate_hz <= 48000 else 100),
    )
    extra = their_extra_lu(rate_hz)
    assert theirs.integrated_lufs - extra == pytest.approx(ours.integrated_lufs, abs=AGREEMENT_LU)
    assert theirs.loudness_range_lu == pytest.approx(ours.loudness_range_lu, abs=AGREEMENT_LU)
    if rate_hz <= 48000:
        assert theirs.momentary_max_lufs - extra == pytest.approx(ours.momentary_max_lufs, abs=AGREEMENT_LU)
        assert theirs.short_term_max_lufs - extra == pytest.approx(ours.short_term_max_lufs, abs=AGREEMENT_LU)


@pytest.mark.parametrize(("rate_hz", "seed"), [(48000, 1), (44100, 2), (96000, 3)])
def test_pyloudnorm_with_the_filter_of_the_tables_reads_the_same(rate_hz, seed):
    audio = programme(rate_hz, SECONDS, seed)
    theirs = pyloudnorm.Meter(rate_hz, filter_class="DeMan").integrated_loudness(audio)
    ours = measure(audio, rate_hz).integrated_lufs
    assert theirs - their_extra_lu(rate_hz) == pytest.approx(ours, abs=AGREEMENT_LU)


def test_at_44_1_and_48_khz_the_others_need_no_allowance():
    assert np.abs([their_extra_lu(44100), their_extra_lu(48000)]).max() < AGREEMENT_LU / 2
