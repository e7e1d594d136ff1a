"""Strokes of a drum told from what is none of it: under its own ring, with another's at once, at an end."""

from __future__ import annotations

import numpy as np
import pytest

from busproc.hits.finding import hits_of
from busproc.hits.strength import strength_dbfs
from busproc.hits.traces import trace_of
from tests.hits.loops import RATE_HZ, hat, kick, matched, snare

RING_S, EVERY_S = 3.0, 0.4


def boom():
    """A low drum that rings for seconds."""
    time_s = np.arange(round(RING_S * RATE_HZ)) / RATE_HZ
    return np.sin(2 * np.pi * 52.0 * time_s) * np.exp(-time_s / 1.2) * (1 - np.exp(-time_s / 0.002))


def laid(strokes, length_s):
    """Strokes `(at_s, level_dbfs, sound)` on one track, over a floor of noise at -80 dBFS."""
    out = 1e-4 * np.random.default_rng(0).normal(size=(round(length_s * RATE_HZ), 1))
    for at_s, level_dbfs, sound in strokes:
        begin = round(at_s * RATE_HZ)
        gain = 10 ** ((level_dbfs - strength_dbfs(sound[:, None], 0, RATE_HZ)) / 20)
        out[begin : begin + len(sound), 0] += gain * sound[: len(out) - begin]
    return out


@pytest.mark.parametrize("under_db", [10.0, 20.0, 30.0])
def test_a_stroke_under_a_ring_is_as_strong_as_without_it(under_db):
    """The ring's own power, before and after, says nothing of what is added."""
    stroke = snare(np.random.default_rng(1), 1.0)
    sound = laid([(0.1, 0.0, boom()), (0.6, -under_db, stroke)], 1.0)
    assert trace_of(sound, round(0.6 * RATE_HZ), RATE_HZ).added_dbfs == pytest.approx(-under_db, abs=2.0)


def test_where_a_sound_is_cut_off_nothing_is_hit():
    cut = [(0.2 + n * EVERY_S, -2.0 * (n % 4), boom()[: round(0.2 * RATE_HZ)]) for n in range(12)]
    at_s = [hit.at_s for hit in hits_of([laid(cut, 6.0)], 1, RATE_HZ)]
    assert len(at_s) == len(cut)
    assert np.allclose(at_s, [at for at, _, _ in cut], atol=0.005)


def test_a_soft_stroke_with_a_softer_one_of_another_drum_is_this_drums():
    """All soft strokes come with a hat 12 dB under them, which bleeds in by itself as well."""
    rng = np.random.default_rng(3)
    levels_db = [0.0, -3.0, -15.0, -6.0, -18.0, -1.0, -13.0, -16.0]
    kicks = [(0.2 + n * EVERY_S, levels_db[n % 8], kick(rng, 0.5)) for n in range(24)]
    with_them = [(at, level - 12.0, hat(rng, 0.5)) for at, level, _ in kicks if level < -12.0]
    alone = [(0.4 + n * EVERY_S, -rng.uniform(20.0, 30.0), hat(rng, 0.5)) for n in range(24)]
    at_s = [hit.at_s for hit in hits_of([laid(kicks + with_them + alone, 10.0)], 1, RATE_HZ)]
    true, mine = matched([at for at, _, _ in kicks], at_s, 0.010)
    assert len(true) >= len(kicks) - 1
    assert len(at_s) - len(mine) <= 1
