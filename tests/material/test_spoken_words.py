"""Single spoken words, mono and shorter than some windows of a meter, through whole sessions."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile as sf

import busproc
from tests.songs import RATE_HZ, write_session

pytestmark = pytest.mark.material

WIDTH = 1.5
FLOAT32_STEP = 2.0**-24
"""Rounding of a sample just under full scale."""

CHAIN = [
    {"stage": "eq", "bands": [{"shape": "high_pass", "freq_hz": 80, "slope_db_per_octave": 12}]},
    {"stage": "compressor", "threshold_dbfs": -24, "ratio": 3, "attack_ms": 5, "release_ms": 80},
    {"stage": "width", "width": WIDTH},
    {"stage": "limiter", "ceiling_dbtp": -3.0},
]


@pytest.fixture
def speak(material, tmp_path):
    """Render a word, or its loudest part of some length, by itself."""

    def render(seconds=None, **keys):
        word, rate_hz = sf.read(
            material / "alsa-utils/usr/share/sounds/alsa/Front_Center.wav", always_2d=True
        )
        assert (rate_hz, word.shape[1]) == (RATE_HZ, 1)
        if seconds is not None:
            loudest = int(np.abs(word).argmax())
            word = word[loudest : loudest + round(seconds * RATE_HZ)]
        session = write_session(
            tmp_path,
            {"word": word},
            {"bus": CHAIN},
            mix_bus={"chain": "bus.json"},
            stem_keys={"word": keys},
        )
        return busproc.render(session, tmp_path / "out")

    return render


def measured(rendered):
    (delivery,) = rendered.decisions["deliveries"]
    return delivery["measured"]


def test_mono_word_comes_out_alike_on_both_sides(speak):
    rendered = speak()
    audio, _ = sf.read(rendered.files[0])
    assert audio.shape == (rendered.decisions["inputs"][0]["frames"], 2)
    assert np.abs(audio).max() > 0.1
    np.testing.assert_array_equal(audio[:, 0], audio[:, 1])
    assert measured(rendered)["correlation"] == 1.0


def test_word_is_too_short_for_some_measures_and_the_log_holds_none(speak):
    rendered = speak()
    reading = measured(rendered)
    assert reading["integrated_lufs"] == pytest.approx(-20, abs=8)
    assert reading["short_term_max_lufs"] is None
    assert reading["loudness_range_lu"] is None
    assert "None" not in rendered.words.read_text()


def test_part_of_a_word_has_no_loudness_and_is_told_by_its_level(speak):
    rendered = speak(seconds=0.25)
    reading = measured(rendered)
    assert (reading["integrated_lufs"], reading["momentary_max_lufs"]) == (None, None)
    assert reading["rms_dbfs"] is not None
    words = rendered.words.read_text()
    assert "dBFS RMS" in words
    assert "None" not in words


def test_single_frame_of_a_word_is_rendered(speak):
    rendered = speak(seconds=1 / RATE_HZ)
    audio, _ = sf.read(rendered.files[0], always_2d=True)
    assert audio.shape == (1, 2)
    assert np.abs(audio).max() > 0.1
    assert "None" not in rendered.words.read_text()


def test_word_at_one_side_is_widened_as_the_formula_says(speak):
    audio, _ = sf.read(speak(pan=1.0).files[0])
    left, right = (1 - WIDTH) / 2, (1 + WIDTH) / 2
    assert np.abs(audio[:, 1]).max() > 0.1
    np.testing.assert_allclose(audio[:, 0], audio[:, 1] * left / right, rtol=0, atol=FLOAT32_STEP)
