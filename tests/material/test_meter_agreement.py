"""Our meter beside two by others, on finished music."""

import pyloudnorm
import pytest
import soundfile

from busproc.measure import Meter
from tests.measure.reference_meters import needs_libebur128, read_ebur128

pytestmark = [pytest.mark.material, needs_libebur128]

AGREEMENT_LU = 0.01
TRUE_PEAK_BELOW_DB, TRUE_PEAK_ABOVE_DB = 0.1, 0.4
"""Theirs has a four-fold grid and a shorter filter, ours an eight-fold grid: ours may read higher."""

TRACKS = (
    "trackballs-data/usr/share/games/trackballs/music/tb_design.ogg",
    "trackballs-data/usr/share/games/trackballs/music/tb_sorrow.ogg",
    "xmoto-data/usr/share/games/xmoto/Textures/Musics/foxrun.ogg",
    "xmoto-data/usr/share/games/xmoto/Textures/Musics/legolodio.ogg",
)


@pytest.mark.parametrize("track", TRACKS)
def test_three_meters_read_the_same_of_a_finished_track(material, track):
    audio, rate_hz = soundfile.read(material / track)
    meter = Meter(rate_hz, audio.shape[1])
    for start in range(0, len(audio), 65536):
        meter.feed(audio[start : start + 65536])
    ours, theirs = meter.reading(), read_ebur128(audio, rate_hz, hop_ms=100)
    third = pyloudnorm.Meter(rate_hz, filter_class="DeMan").integrated_loudness(audio)
    momentary = max(value for value in meter.momentary_series().lufs if value is not None)
    short_term = max(value for value in meter.short_term_series().lufs if value is not None)
    differences = {
        "integrated": theirs.integrated_lufs - ours.integrated_lufs,
        "momentary": theirs.momentary_max_lufs - momentary,
        "short-term": theirs.short_term_max_lufs - short_term,
        "range": theirs.loudness_range_lu - ours.loudness_range_lu,
        "peak": theirs.true_peak_dbtp - ours.true_peak_dbtp,
        "pyloudnorm": third - ours.integrated_lufs,
    }
    print("\n", track, ours.as_dict(), {name: round(value, 4) for name, value in differences.items()})
    assert theirs.integrated_lufs == pytest.approx(ours.integrated_lufs, abs=AGREEMENT_LU)
    assert third == pytest.approx(ours.integrated_lufs, abs=AGREEMENT_LU)
    assert theirs.loudness_range_lu == pytest.approx(ours.loudness_range_lu, abs=AGREEMENT_LU)
    assert theirs.momentary_max_lufs == pytest.approx(momentary, abs=AGREEMENT_LU)
    assert theirs.short_term_max_lufs == pytest.approx(short_term, abs=AGREEMENT_LU)
    assert -TRUE_PEAK_BELOW_DB <= ours.true_peak_dbtp - theirs.true_peak_dbtp <= TRUE_PEAK_ABOVE_DB
