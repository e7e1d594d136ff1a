"""Several microphones on one source: one solution for all pairs, against a reference that stays."""

from __future__ import annotations

import numpy as np
import pytest

from busproc.errors import InputError
from busproc.measure import alignment_group
from busproc.measure.alignment import Aligned
from busproc.measure.alignment_group import align_group
from tests.measure.test_alignment_cases import RATE_HZ, in_room, late, noisy, random, sound

pytestmark = pytest.mark.slow

TRUE = {"near": (0.0, 1), "under": (31.4, -1), "over": (-212.7, 1), "front": (180.2, -1)}


def microphones(snr_db=25, drr_db=6.0):
    """Four on a source, all but two of them in reverberation."""
    source = sound("bursts", 5, 3)
    heard = {name: polarity * late(source, frames) for name, (frames, polarity) in TRUE.items()}
    rooms = {"over": drr_db, "front": drr_db}
    return {
        name: noisy(in_room(audio, rooms.get(name), 40 + k), snr_db, k)
        for k, (name, audio) in enumerate(heard.items())
    }


@pytest.fixture(scope="module")
def four():
    return microphones()


@pytest.mark.parametrize("reference", ["near", "front"])
def test_all_are_placed_against_the_reference(four, reference):
    group = align_group(four, reference, RATE_HZ)
    still, up = TRUE[reference]
    assert group.sounds[reference][:2] == (0.0, 1)
    for name, (frames, polarity) in TRUE.items():
        placed = group.sounds[name]
        assert placed.polarity == polarity * up
        assert placed.delay_frames == pytest.approx(frames - still, abs=0.02)
        assert (placed.declined is None) == (name != reference)
    assert len(group.off_frames) == 6
    assert max(map(abs, group.off_frames.values())) < 0.02


def test_the_solution_is_that_of_least_squares(four):
    """Weighted by the pairs' own errors; solved from the normal equations."""
    group = align_group(four, "near", RATE_HZ)
    names = ["near", "under", "over", "front"]
    normal, right = np.zeros((3, 3)), np.zeros(3)
    for (a, b), pair in group.pairs.items():
        row = np.zeros(4)
        row[names.index(a)], row[names.index(b)] = -1, 1
        weight = 1 / max(pair.error_frames, 0.01) ** 2
        normal += weight * np.outer(row[1:], row[1:])
        right += weight * row[1:] * pair.delay_frames
    solved = np.linalg.solve(normal, right)
    assert [group.sounds[name].delay_frames for name in names[1:]] == pytest.approx(solved, abs=0.001)


def test_a_room_and_a_stranger_are_left(four):
    source = sound("bursts", 5, 3)
    more = {"hall": in_room(late(source, 600), -8, 5), "piano": sound("pink", 5, 6), "off": np.zeros(9)}
    group = align_group(four | more, "near", RATE_HZ)
    assert "distance is the point" in group.sounds["hall"].declined
    assert "cannot be known" in group.sounds["piano"].declined
    assert "no time at which both sound" in group.sounds["off"].declined
    for name in more:
        assert group.sounds[name][:2] == (None, None)
    for name, (frames, _) in TRUE.items():
        assert group.sounds[name].delay_frames == pytest.approx(frames, abs=0.02)


def test_what_is_in_time_already_is_left(four):
    group = align_group({"near": four["near"], "twin": 0.5 * four["near"]}, "near", RATE_HZ)
    assert group.sounds["twin"] == (0.0, 1, "it is in time with the reference")


def test_a_sound_is_placed_over_another_where_it_shares_nothing_with_the_reference(four):
    """Two sources: `both` hears the one that the reference hears and the one that `far` hears."""
    first, second = sound("bursts", 5, 7), sound("white", 5, 8)
    heard = {
        "near": first,
        "both": late(first, 20.5) + late(second, 40),
        "far": -late(second, 70.25),
    }
    group = align_group(heard, "near", RATE_HZ)
    assert group.pairs["near", "far"].verdict == "unknown"
    assert group.sounds["far"].delay_frames == pytest.approx(20.5 + 30.25, abs=0.02)
    assert group.sounds["far"].polarity == -1


def told(delays, polarities, errors=None):
    """Pairs as they would be measured on sounds that are only their own numbers."""

    def pair(one, other, *_, **__):
        key = int(one[0]), int(other[0])
        error = (errors or {}).get(key, 0.01)
        return Aligned("align", "", 1.0, delays[key], error, polarities[key])

    return pair


def numbered(count):
    keys = [(a, b) for a in range(count) for b in range(a + 1, count)]
    places = random(9).uniform(-100, 100, count)
    places[0] = 0
    signs = random(10).choice([-1, 1], count)
    signs[0] = 1
    delays = {(a, b): places[b] - places[a] for a, b in keys}
    polarities = {(a, b): int(signs[a] * signs[b]) for a, b in keys}
    return {str(k): np.array([k]) for k in range(count)}, places, signs, delays, polarities


@pytest.mark.parametrize("false", [(0, 1), (2, 3), (1, 4)])
def test_a_false_delay_among_many_does_not_count(monkeypatch, false):
    sounds, places, _, delays, polarities = numbered(5)
    delays[false] += 60
    monkeypatch.setattr(alignment_group, "align_pair", told(delays, polarities))
    group = align_group(sounds, "0", RATE_HZ)
    assert [placed.delay_frames for placed in group.sounds.values()] == pytest.approx(places, abs=0.001)
    assert tuple(map(str, false)) not in group.off_frames
    assert len(group.off_frames) == 9


@pytest.mark.parametrize("false", [(0, 1), (2, 3), (1, 4)])
def test_a_false_polarity_among_many_does_not_count(monkeypatch, false):
    sounds, places, signs, delays, polarities = numbered(5)
    polarities[false] *= -1
    delays[false] += 3
    errors = dict.fromkeys(delays, 0.012) | {false: 0.01}  # the surest of all, yet outvoted
    monkeypatch.setattr(alignment_group, "align_pair", told(delays, polarities, errors))
    group = align_group(sounds, "0", RATE_HZ)
    assert [placed.polarity for placed in group.sounds.values()] == list(signs)
    assert [placed.delay_frames for placed in group.sounds.values()] == pytest.approx(places, abs=0.001)
    assert tuple(map(str, false)) not in group.off_frames


def test_of_three_that_contradict_the_least_sure_does_not_count(monkeypatch):
    sounds, places, _, delays, polarities = numbered(3)
    delays[0, 2] += 20
    monkeypatch.setattr(alignment_group, "align_pair", told(delays, polarities, {(0, 2): 0.3}))
    group = align_group(sounds, "0", RATE_HZ)
    assert [placed.delay_frames for placed in group.sounds.values()] == pytest.approx(places, abs=0.001)


def test_a_reference_that_is_not_there_is_refused(four):
    with pytest.raises(InputError, match="'far' is none of the sounds: near, under"):
        align_group(four, "far", RATE_HZ)
