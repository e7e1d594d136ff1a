"""Pictures of rooms and responses: when they answer, and how long each octave takes to die away."""

from __future__ import annotations

import numpy as np
import pytest

from busproc.pictures.panels import panel_of
from busproc.stages.convolve import Convolve
from busproc.stages.reverb import Reverb

RATE_HZ = 48000


def plots_of(stage):
    panel = panel_of(stage, RATE_HZ)
    return panel.remarks, *panel.rows[0]


def test_each_octave_falls_by_60_db_in_its_decay_time():
    """Single octaves of one room waver by some percent."""
    _, _, decays = plots_of(Reverb(mix=1.0, decay_low_s=2.0, decay_s=1.2, decay_high_s=0.6))
    assert [curve.label for curve in decays.curves] == ["125 Hz", "1000 Hz", "8000 Hz"]
    for curve, decay_s in zip(decays.curves, (2.0, 1.2, 0.6), strict=True):
        assert curve.x[np.argmax(curve.y <= -60)] == pytest.approx(decay_s, rel=0.12)
    assert decays.x.high == pytest.approx(2.0, rel=0.12)


def test_the_answer_begins_after_the_pre_delay_and_stands_alone():
    remarks, answer, _ = plots_of(Reverb(mix=0.3, pre_delay_ms=40.0))
    left = answer.curves[0]
    assert (left.y[left.x < 39] == -60).all()
    assert max(curve.y.max() for curve in answer.curves) == 0
    assert remarks == ("drawn without what passes beside it (mix 0.3)",)


def test_a_response_is_drawn_where_there_is_one():
    assert panel_of(Convolve(), RATE_HZ).remarks == ("no response",)
    remarks, _, decays = plots_of(Convolve(response="wooden_box", mix=1.0))
    assert remarks == ()
    low, _, high = (curve.x[np.argmax(curve.y <= -40)] for curve in decays.curves)
    assert low > 4 * high
