"""IEC 61260-1:2014, octave-band and fractional-octave-band filters: frequencies and class 1 limits."""

import numpy as np
import pytest

from busproc.measure import ThirdOctaves
from busproc.measure.spectrum import midband_hz
from tests.published.loudness_signals import faded, stereo

RATE_HZ = 48000
SECONDS = 4
FIRST_BAND = -17

# exact midband, lower edge, upper edge, from G = 10^(3/10), to 0.0001 Hz
FREQUENCIES = {
    -17: (19.9526, 17.7828, 22.3872),
    -15: (31.6228, 28.1838, 35.4813),
    -10: (100.0, 89.1251, 112.2018),
    -4: (398.1072, 354.8134, 446.6836),
    0: (1000.0, 891.2509, 1122.0185),
    5: (3162.2777, 2818.3829, 3548.1339),
    13: (19952.6231, 17782.7941, 22387.2114),
}

# normalised frequency of a third octave, least and most relative attenuation in dB (class 1; second-hand,
# breakpoints of the octave filter mapped to a third as the standard says)
CLASS_1 = [
    (1.0, -0.4, 0.4),
    (1.02667, -0.4, 0.5),
    (1.05575, -0.4, 0.7),
    (1.08746, -0.4, 1.4),
    (1.12202 / 1.0005, -0.4, 5.3),
    (1.12202 * 1.0005, 1.2, np.inf),
    (1.29437, 16.6, np.inf),
    (1.88173, 40.5, np.inf),
    (3.05365, 60.0, np.inf),
    (5.39195, 70.0, np.inf),
]
CLASS_1_BANDS = [-10, -7, -4, 0, 5, 10, 13]


def level_of_tone_db(freq_hz, band):
    """Level in a band of a full-scale tone, as if it did not fade at its ends."""
    frames = RATE_HZ * SECONDS
    tone = faded(np.sin(2 * np.pi * freq_hz / RATE_HZ * np.arange(frames)), RATE_HZ // 2)
    lost_db = 10 * np.log10(np.mean(faded(np.ones(frames), RATE_HZ // 2) ** 2))
    spectrum = ThirdOctaves(RATE_HZ)
    spectrum.feed(stereo(tone))
    return spectrum.levels_db()[band - FIRST_BAND] - lost_db


@pytest.mark.parametrize("band", FREQUENCIES)
def test_midband_and_edge_frequencies_are_exact(band):
    got = (midband_hz(band), midband_hz(band - 0.5), midband_hz(band + 0.5))
    np.testing.assert_allclose(got, FREQUENCIES[band], rtol=0, atol=0.00005)


@pytest.mark.parametrize("band", CLASS_1_BANDS)
def test_attenuation_keeps_within_class_1(band):
    for normalised, least_db, most_db in CLASS_1:
        for freq_hz in (midband_hz(band) * normalised, midband_hz(band) / normalised):
            if freq_hz < RATE_HZ / 2:
                assert least_db <= -level_of_tone_db(freq_hz, band) <= most_db, freq_hz


@pytest.mark.parametrize("band", range(-17, -10))
def test_the_lowest_bands_read_a_tone_at_midband_and_refuse_one_an_octave_away(band):
    assert level_of_tone_db(midband_hz(band), band) == pytest.approx(0.0, abs=0.12)
    for octave in (-3, 3):
        assert level_of_tone_db(midband_hz(band + octave), band) < -37  # ours: class 1 asks for about 45
