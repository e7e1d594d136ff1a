"""Peak, RMS, correlation and width of a stereo stream."""

import numpy as np
import pytest

from busproc.measure import LevelTally


def tallied(*blocks):
    tally = LevelTally()
    for block in blocks:
        tally.feed(np.ascontiguousarray(block, dtype=float))
    return tally


def noise(frames=20000, seed=1):
    return np.random.default_rng(seed).standard_normal((frames, 2)) * 0.1


def everything(tally):
    return (
        tally.peak_dbfs,
        tally.rms_dbfs,
        tally.crest_factor_db,
        tally.correlation,
        tally.side_to_mid_db,
        tally.frames,
    )


@pytest.mark.parametrize("size", [1, 7, 64, 1000, 4096])
def test_block_size_does_not_matter(size):
    audio = noise()
    blocks = (audio[start : start + size] for start in range(0, len(audio), size))
    assert everything(tallied(*blocks)) == everything(tallied(audio))


def test_levels_are_what_their_names_say():
    audio = noise()
    tally = tallied(audio)
    rms = np.sqrt(np.mean(audio**2))
    assert tally.peak_dbfs == pytest.approx(20 * np.log10(np.abs(audio).max()), abs=1e-9)
    assert tally.rms_dbfs == pytest.approx(20 * np.log10(rms) + 10 * np.log10(2), abs=1e-9)
    assert tally.crest_factor_db == pytest.approx(20 * np.log10(np.abs(audio).max() / rms), abs=1e-9)


@pytest.mark.parametrize("channel", [0, 1])
@pytest.mark.parametrize("sign", [-1, 1])
def test_the_peak_is_found_in_either_channel_and_direction(channel, sign):
    audio = np.zeros((100, 2))
    audio[50, channel] = sign * 0.25
    assert tallied(audio).peak_dbfs == pytest.approx(20 * np.log10(0.25))


def test_a_square_wave_has_no_crest():
    square = np.where(np.arange(1000) % 2, 0.5, -0.5)[:, None] * [1, 1]
    assert tallied(square).crest_factor_db == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("mixed", "correlation", "side_to_mid_db"),
    [(0.5, 0.5, -4.7712), (0.75, 0.75, -8.4510), (-0.5, -0.5, 4.7712), (0.0, 0.0, 0.0)],
)
def test_correlation_and_width_belong_together(mixed, correlation, side_to_mid_db):
    # side over mid is 10 lg((1 - r) / (1 + r)) for channels of equal power (algebra)
    turns = 2 * np.pi * np.arange(4800) / 48
    left = np.sin(turns)
    right = mixed * left + np.sqrt(1 - mixed**2) * np.cos(turns)
    tally = tallied(np.column_stack((left, right)))
    assert tally.correlation == pytest.approx(correlation, abs=1e-9)
    assert tally.side_to_mid_db == pytest.approx(side_to_mid_db, abs=1e-4)


@pytest.mark.parametrize(("sign", "correlation"), [(1, 1.0), (-1, -1.0)])
def test_mono_and_inverted_are_the_ends_of_the_scale_and_have_no_width(sign, correlation):
    left = noise()[:, 0]
    tally = tallied(np.column_stack((left, sign * left)))
    assert tally.correlation == pytest.approx(correlation, abs=1e-12)
    assert tally.side_to_mid_db is None


@pytest.mark.parametrize("audio", [np.zeros((0, 2)), np.zeros((10, 2)), np.full((10, 2), 1e-310)])
def test_silence_has_no_levels(audio):
    assert everything(tallied(audio)) == (None, None, None, None, None, len(audio))


def test_one_silent_channel_leaves_no_correlation():
    assert tallied(noise() * [1, 0]).correlation is None


def test_the_log_gets_rounded_levels():
    tally = tallied(noise())
    assert tally.as_dict() == {
        "rms_dbfs": round(tally.rms_dbfs, 2),
        "peak_dbfs": round(tally.peak_dbfs, 2),
        "correlation": round(tally.correlation, 3),
    }
