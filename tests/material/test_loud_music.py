"""Music that is over full scale as it comes, driven further: the ceiling holds on every file written."""

from __future__ import annotations

import shutil

import numpy as np
import pytest
import soundfile as sf
from scipy.fft import next_fast_len

import busproc
from busproc.delivery.trims import OVER_CEILING_DBTP
from busproc.presets import preset_path
from tests.measure.reference_meters import fourier_peak_dbtp, needs_libebur128, open_ebur128
from tests.songs import write_session

pytestmark = pytest.mark.material

TRACK = "trackballs-data/usr/share/games/trackballs/music/tb_design.ogg"
EXCERPT_S = (69, 77)
DRIVE_DB = 12.0
CEILING_DBTP = -1.0
"""Of the limiters in both presets."""

OVER_DB = 0.01
"""The parabola between eight-fold samples, rounding, and dither together stay under this."""

OTHER_INTERPOLATOR_DB = 0.01
"""What a meter of another make may read over the ceiling."""

DEEPEST_TRIM_DB = -0.1
"""The limiter's gain moves between the samples, and a rate converter moves peaks: some hundredths of a dB."""


@pytest.fixture(scope="module")
def track(material):
    """A passage of the track, and its rate."""
    rate_hz = sf.info(material / TRACK).samplerate
    sound, _ = sf.read(material / TRACK, start=EXCERPT_S[0] * rate_hz, stop=EXCERPT_S[1] * rate_hz)
    assert np.count_nonzero(np.abs(sound) > 1) > 1000, "the track must be over full scale as it comes"
    return sound, rate_hz


def render_track(folder, track, gain_db, **keys):
    sound, rate_hz = track
    session = write_session(
        folder,
        {"track": sound},
        rates={"track": rate_hz},
        stem_keys={"track": {"gain_db": gain_db}},
        **keys,
    )
    return busproc.render(session, folder / "out")


@pytest.fixture(scope="module", params=["loud_reference", "safety_only"])
def rendered(request, track, tmp_path_factory):
    """The driven track through a preset, in four deliveries."""
    folder = tmp_path_factory.mktemp(request.param)
    shutil.copy(preset_path(request.param), folder / "bus.json")
    deliver = [
        {"bits": 24},
        {"bits": 16, "container": "flac"},
        {"bits": 24, "rate_hz": 48000},
        {"bits": 24, "rate_hz": 96000},
    ]
    return render_track(folder, track, DRIVE_DB, mix_bus={"chain": "bus.json"}, deliver=deliver)


def exact_peak_dbtp(audio):
    """True peak of the wave that the samples describe up to half the rate, a channel at a time."""
    padded = np.zeros((next_fast_len(len(audio) + 8192, real=True), 2))
    padded[4096 : 4096 + len(audio)] = audio
    return max(fourier_peak_dbtp(channel, factor=16) for channel in padded.T)


def test_delivered_true_peak_stays_at_the_ceiling(rendered):
    for file in rendered.files:
        peak_dbtp = exact_peak_dbtp(sf.read(file)[0])
        assert CEILING_DBTP - 0.05 < peak_dbtp < CEILING_DBTP + OVER_DB, file.name


@needs_libebur128
def test_another_meter_reads_the_ceiling_too(rendered):
    for file in rendered.files:
        audio, rate_hz = sf.read(file)
        with open_ebur128(rate_hz) as meter:
            meter.feed(audio)
            meter.feed(np.zeros((rate_hz // 10, 2)))
            assert meter.true_peak_dbtp() < CEILING_DBTP + OTHER_INTERPOLATOR_DB, file.name


def test_limiter_leaves_only_hundredths_of_a_db_to_trim(rendered):
    (bus,) = [place for place in rendered.decisions["places"] if place["place"] == "mix_bus"]
    limiter = bus["decisions"][-1]
    assert limiter["stage"] == "limiter"
    assert limiter["did"]["deepest_db"] > 6, "the drive must make it work hard"
    for delivery in rendered.decisions["deliveries"]:
        assert DEEPEST_TRIM_DB <= delivery["trim_db"] <= 0, delivery["file"]


def test_track_over_full_scale_is_refused_in_whole_numbers(track, tmp_path):
    with pytest.raises(busproc.RenderError, match=r"peaks at \+[12]\.\d\d dBFS, over full scale"):
        render_track(tmp_path, track, 0.0, deliver=[{"bits": 16}])
    assert list((tmp_path / "out").iterdir()) == []


def test_track_over_full_scale_is_turned_down_by_its_true_peak_where_asked(track, tmp_path):
    rendered = render_track(tmp_path, track, 0.0, deliver=[{"bits": 16, "if_over": "trim"}])
    audio, _ = sf.read(rendered.files[0])
    assert OVER_CEILING_DBTP - 0.05 < exact_peak_dbtp(audio) < OVER_CEILING_DBTP + OVER_DB
