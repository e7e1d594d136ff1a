"""Hits of the demo's stems: no bleed, but drums that are struck in more than one way."""

from __future__ import annotations

import pytest

from busproc.demo.harbour_lamps import HARBOUR_LAMPS
from busproc.demo.synth import make_song
from busproc.hits.finding import hits_of
from tests.hits.loops import f_measure

RATE_HZ = 48000
TOLERANCE_S = {"frame_drum": 0.04, "wood_block": 0.04, "shaker": 0.06}
"""Strokes are played up to 20 ms off the score, and the shaker's swell over 30 to 45 ms."""
LEAST_F = 0.95


@pytest.fixture(scope="module")
def stems():
    return make_song(RATE_HZ)


@pytest.mark.slow
@pytest.mark.parametrize("name", TOLERANCE_S)
def test_every_way_to_strike_a_drum_is_its_own(stems, name):
    truth_s = [HARBOUR_LAMPS.seconds(stroke.at) for stroke in HARBOUR_LAMPS.strokes[name]]
    found_s = [hit.at_s for hit in hits_of([stems[name].reshape(len(stems[name]), -1)], 1, RATE_HZ)]
    assert f_measure(truth_s, found_s, TOLERANCE_S[name]) >= LEAST_F
