"""What the meter promises beyond the published checks."""

import copy
import dataclasses
import json

import numpy as np
import pytest

from busproc.errors import InputError
from busproc.measure import Meter, measure
from busproc.measure.loudness import Loudness
from tests.published.loudness_signals import programme, tone_steps

BLOCK_SIZES = (1, 7, 64, 1000, 4096)


def read_in_blocks(audio, rate_hz, size):
    return measure((audio[start : start + size] for start in range(0, len(audio), size)), rate_hz)


def levels(reading):
    counts = {"frames", "rate_hz", "channels"}
    return {name: value for name, value in dataclasses.asdict(reading).items() if name not in counts}


@pytest.mark.parametrize("rate_hz", [8000, 11025])
@pytest.mark.parametrize("channels", [1, 2])
def test_block_size_does_not_matter(rate_hz, channels):
    audio = np.ascontiguousarray(programme(rate_hz, 3.5, seed=5)[:, :channels])
    audio.flags.writeable = False
    whole = measure(audio, rate_hz)
    assert whole.loudness_range_lu is not None
    for size in BLOCK_SIZES:
        assert read_in_blocks(audio, rate_hz, size) == whole


@pytest.mark.parametrize("rate_hz", [44100, 48000, 192000, 384000])
def test_block_size_does_not_matter_at_high_rates(rate_hz):
    audio = programme(rate_hz, 12000 / rate_hz, seed=6)
    whole = measure(audio, rate_hz)
    for size in BLOCK_SIZES:
        assert read_in_blocks(audio, rate_hz, size) == whole


def test_reading_in_between_changes_nothing():
    audio = programme(48000, 2.0, seed=7)
    meter = Meter(48000, 2)
    for start in range(0, len(audio), 4100):
        meter.feed(audio[start : start + 4100])
        assert meter.reading() == meter.reading()
    assert meter.reading() == measure(audio, 48000)


def test_a_copy_goes_on_from_where_it_was_taken():
    audio = programme(48000, 2.0, seed=8)
    meter = Meter(48000, 2)
    meter.feed(audio[:50001])
    twin = copy.deepcopy(meter)
    twin.feed(audio[50001:])
    assert twin.reading() == measure(audio, 48000)
    assert meter.reading() == measure(audio[:50001], 48000)


@pytest.mark.parametrize("channels", [1, 2])
def test_silence_has_no_levels(channels):
    reading = measure(np.zeros((200_000, channels)), 48000)
    assert set(levels(reading).values()) == {None}
    assert reading.frames == 200_000


def test_denormal_numbers_count_as_silence():
    assert set(levels(measure(np.full((200_000, 2), 1e-310), 48000)).values()) == {None}


def test_no_denormal_number_is_left_in_the_filter():
    loudness = Loudness(48000)
    loudness.feed(programme(48000, 0.1, seed=9))
    for _ in range(400):
        loudness.feed(np.zeros((240, 2)))
        memory = np.abs(np.concatenate((loudness._past, loudness._weighed)))
        assert ((memory == 0) | (memory > np.finfo(float).tiny)).all()
    assert not loudness._past.any()


def test_a_sound_before_silence_is_not_lost_and_no_number_is_infinite():
    meter = Meter(48000, 2)
    meter.feed(tone_steps(48000, [(-23.0, 20.0), (None, 40.0)]))
    # read by libebur128 1.2.6; three partly filled blocks survive the gate
    assert meter.reading().integrated_lufs == pytest.approx(-23.0260, abs=0.0001)
    assert meter.momentary_series().lufs[-1] is None


@pytest.mark.parametrize(
    ("frames", "missing"),
    [
        (1, {"integrated_lufs", "momentary_max_lufs", "short_term_max_lufs", "loudness_range_lu"}),
        (19199, {"integrated_lufs", "momentary_max_lufs", "short_term_max_lufs", "loudness_range_lu"}),
        (19200, {"short_term_max_lufs", "loudness_range_lu"}),
        (143999, {"short_term_max_lufs", "loudness_range_lu"}),
        (144000, set()),
    ],
)
def test_a_window_longer_than_the_file_has_no_reading(frames, missing):
    rng = np.random.default_rng(10)
    reading = measure(0.1 * rng.standard_normal((frames, 2)), 48000)
    assert {name for name, value in levels(reading).items() if value is None} == missing


def test_an_empty_file_has_no_levels():
    assert set(levels(measure(np.zeros((0, 2)), 48000)).values()) == {None}


def test_levels_of_a_sine():
    reading = measure(tone_steps(48000, [(-6.0, 1.0)]), 48000)
    assert reading.sample_peak_dbfs == pytest.approx(-6.0, abs=1e-9)
    assert reading.rms_dbfs == pytest.approx(-6.0, abs=1e-9)
    assert reading.crest_factor_db == pytest.approx(3.0103, abs=1e-4)
    assert reading.correlation == pytest.approx(1.0, abs=1e-12)


def test_a_mono_file_reads_as_one_channel_does():
    tone = tone_steps(44100, [(-20.0, 4.0)])
    left_only = tone * [1.0, 0.0]
    mono, one_sided = measure(tone[:, :1], 44100), measure(left_only, 44100)
    for name in ("integrated_lufs", "momentary_max_lufs", "short_term_max_lufs", "true_peak_dbtp"):
        assert getattr(mono, name) == pytest.approx(getattr(one_sided, name), abs=1e-9)
    assert mono.rms_dbfs == pytest.approx(-20.0, abs=1e-6)
    assert mono.correlation is None
    assert one_sided.correlation is None


@pytest.mark.parametrize("rate_hz", [11025, 22050, 44100, 48000])
def test_windows_keep_in_step_with_the_clock(rate_hz):
    # one minute of a quiet tone, then 400 ms of a loud one on a 10 ms edge: only that window is all loud
    meter = Meter(rate_hz, 2)
    meter.feed(tone_steps(rate_hz, [(-60.0, 60.3), (-20.0, 0.4), (-60.0, 0.5)]))
    steady = measure(tone_steps(rate_hz, [(-20.0, 3.0)]), rate_hz)
    series = meter.momentary_series()
    loudest = max(range(len(series.lufs)), key=lambda i: series.lufs[i])
    assert series.times_s[loudest] == pytest.approx(60.7)
    assert meter.reading().momentary_max_lufs == pytest.approx(steady.integrated_lufs, abs=0.02)


@pytest.mark.parametrize("window_s", [0.4, 3.0])
def test_maxima_are_found_between_tenths_of_a_second(window_s):
    # a tone as long as the window, half-way between two values of the series, which see 50 ms less of it
    meter = Meter(48000, 2)
    meter.feed(tone_steps(48000, [(None, 0.05), (-20.0, window_s), (None, 0.5)]))
    if window_s == 0.4:
        loudest, series = meter.reading().momentary_max_lufs, meter.momentary_series()
    else:
        loudest, series = meter.reading().short_term_max_lufs, meter.short_term_series()
    missed_lu = 10 * np.log10(window_s / (window_s - 0.05))
    assert loudest - max(value for value in series.lufs if value is not None) == pytest.approx(
        missed_lu, abs=0.01
    )


def test_series_start_with_the_first_full_window():
    meter = Meter(48000, 2)
    meter.feed(tone_steps(48000, [(-20.0, 3.25)]))
    assert meter.short_term_series().times_s == pytest.approx([3.0, 3.1, 3.2])
    assert meter.momentary_series().times_s[:2] == pytest.approx([0.4, 0.5])
    assert len(meter.momentary_series().lufs) == len(meter.momentary_series().times_s) == 29


def test_a_reading_goes_into_json_rounded():
    audio = programme(48000, 3.2, seed=11)
    reading = measure(audio, 48000)
    entries = json.loads(json.dumps(reading.as_dict(), allow_nan=False))
    assert entries["frames"] == len(audio)
    assert list(entries) == [field.name for field in dataclasses.fields(reading)]
    for name, value in levels(reading).items():
        digits = 3 if name == "correlation" else 2
        assert entries[name] == round(value, digits)
        assert entries[name] != value


def test_what_is_kept_is_one_number_per_10_ms():
    meter = Meter(48000, 2)
    for _ in range(20):
        meter.feed(np.zeros((48000, 2)))
    assert len(meter._loudness._cells) == 2000
    assert meter._loudness._cells.itemsize == 8


def test_the_input_is_left_as_it_was():
    audio = programme(48000, 0.5, seed=12)
    before = audio.copy()
    audio.flags.writeable = False
    measure(audio, 48000)
    np.testing.assert_array_equal(audio, before)


def test_views_and_other_number_types_are_read_as_they_sound():
    audio = programme(48000, 1.0, seed=13)
    lanes = np.zeros((len(audio), 3, 2))
    lanes[:, 0] = audio
    assert measure(lanes[:, 0], 48000) == measure(audio, 48000)
    coarse = audio.astype(np.float32)
    assert measure(coarse, 48000) == measure(coarse.astype(np.float64), 48000)


@pytest.mark.parametrize("rate_hz", [7999, 384001])
def test_a_rate_out_of_range_is_refused_with_the_range(rate_hz):
    with pytest.raises(
        InputError, match=f"{rate_hz} Hz cannot be measured: the rate must be 8000 to 384000 Hz"
    ):
        Meter(rate_hz, 2)


@pytest.mark.parametrize("channels", [0, 3])
def test_other_numbers_of_channels_are_refused(channels):
    with pytest.raises(InputError, match=f"{channels} channels cannot be measured: it must have 1 .* or 2"):
        Meter(48000, channels)


@pytest.mark.parametrize("shape", [(10,), (10, 1), (10, 2, 1)])
def test_a_block_of_another_shape_is_refused(shape):
    with pytest.raises(InputError, match=r"was fed to a meter for \(frames, 2\)"):
        Meter(48000, 2).feed(np.zeros(shape))


def test_nothing_at_all_is_refused():
    with pytest.raises(InputError, match="nothing to measure"):
        measure([], 48000)


@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_audio_with_values_that_are_no_numbers_is_refused(value):
    audio = programme(48000, 1.0, seed=14)
    audio[1234, 1] = value
    with pytest.raises(InputError, match="not finite"):
        measure(audio, 48000)


def test_the_95th_percentile_is_that_of_what_sounds():
    meter = Meter(8000, 2)
    meter.feed(tone_steps(8000, [(-30, 60), (-20, 8), (-85, 300)]))
    assert meter.short_term_95_lufs() == pytest.approx(-20.0, abs=0.3)  # K-weighting at 8 kHz


def test_a_short_sound_has_its_integrated_loudness_in_its_place():
    meter = Meter(8000, 2)
    meter.feed(programme(8000, 2, seed=6))
    assert meter.short_term_95_lufs() == meter.reading().integrated_lufs
    assert Meter(8000, 2).short_term_95_lufs() is None
