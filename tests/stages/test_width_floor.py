"""Gains of mid, side and balance; a floor for the correlation; what folding to mono costs."""

from __future__ import annotations

import numpy as np
import pytest

from busproc.kernels import narrow
from busproc.stages.context import Context
from busproc.stages.width import Width
from tests.stages.probe import RATE_HZ, db, noise, response, second_lane, stereo, streamed

MID, SIDE = (1.0, 1.0), (1.0, -1.0)
ROUNDING = 1e-15


@pytest.mark.parametrize("mono_below_hz", [None, 100.0])
def test_mid_and_side_have_their_own_gains(mono_below_hz):
    wide = Width(width=0.5, mid_db=-3.0, side_db=4.0, mono_below_hz=mono_below_hz)
    mid, side = (response(wide, [5000.0], sides=sides) for sides in (MID, SIDE))
    assert db(mid) == pytest.approx(-3.0, abs=1e-6)
    assert db(side) == pytest.approx(4.0 + db(0.5), abs=1e-4)


@pytest.mark.parametrize(("balance_db", "left_db", "right_db"), [(-4.0, 0.0, -4.0), (3.0, -3.0, 0.0)])
def test_balance_turns_the_quieter_side_down(balance_db, left_db, right_db):
    sound = noise(1000)
    wanted = sound * [10 ** (left_db / 20), 10 ** (right_db / 20)]
    np.testing.assert_allclose(streamed(Width(balance_db=balance_db), sound), wanted, rtol=1e-15)
    both = streamed(Width(balance_db=balance_db, width=0.3), sound)
    narrowed = streamed(Width(width=0.3), sound)
    np.testing.assert_allclose(both, narrowed * (wanted / sound), rtol=1e-13)


def out_of_phase(frames, side, tilt=0.0):
    """Noise with so much side against mid, part of it in common with mid."""
    mid, free = noise(frames).T
    other = side * (free + tilt * mid)
    return 0.2 * np.column_stack([mid + other, mid - other])


def correlation(sound):
    left, right = sound.T
    return left @ right / np.sqrt((left @ left) * (right @ right))


@pytest.mark.parametrize("tilt", [0.0, 0.6])
@pytest.mark.parametrize("floor", [-0.8, -0.3, 0.0, 0.4, 0.9])
def test_the_floor_holds_the_correlation_where_it_would_fall_under_it(floor, tilt):
    sound = out_of_phase(2 * RATE_HZ, 4.0, tilt)
    assert correlation(sound) < -0.8
    made = streamed(Width(correlation_floor=floor), sound)[RATE_HZ // 2 :]
    assert correlation(made) == pytest.approx(floor, abs=0.02)
    np.testing.assert_allclose(made @ MID, sound[RATE_HZ // 2 :] @ MID, atol=ROUNDING)


def test_over_the_floor_no_bit_changes():
    sound = out_of_phase(RATE_HZ, 0.3)
    np.testing.assert_array_equal(streamed(Width(correlation_floor=0.2), sound), sound)


def test_the_floor_watches_the_bus_as_it_would_leave():
    """Made twice as wide, the same sound falls under the floor; mono below only what is above it counts."""
    sound = out_of_phase(RATE_HZ, 0.7)
    calm = streamed(Width(correlation_floor=0.1), sound)
    np.testing.assert_array_equal(calm[RATE_HZ // 2 :], sound[RATE_HZ // 2 :])
    made = streamed(Width(width=2.0, correlation_floor=0.1), sound)[RATE_HZ // 2 :]
    assert correlation(streamed(Width(width=2.0), sound)) < -0.2
    assert correlation(made) == pytest.approx(0.1, abs=0.02)


def test_the_floor_lets_go_when_it_is_over():
    sound = np.concatenate([out_of_phase(RATE_HZ, 4.0), out_of_phase(RATE_HZ, 0.2)])
    side = second_lane(Width(correlation_floor=0.0), sound, np.ones_like(sound) * SIDE)[:, 0]
    assert side[RATE_HZ // 2 : RATE_HZ].max() < 0.4
    assert side[-RATE_HZ // 4 :].min() > 0.999999
    assert np.abs(np.diff(side[100:])).max() < 0.01  # it glides


@pytest.mark.parametrize("floor", [-0.5, 0.0, 0.5])
def test_the_gain_of_side_solves_for_the_floor(floor):
    """Mid and side with nothing in common: (P - g^2 S) / (P + g^2 S) = floor."""
    mid, side = 0.1, 0.5
    pair = np.array([[mid + side, mid - side], [mid - side, mid + side]])
    gain = narrow.side_gain(np.tile(pair, (20000, 1)), floor, 0.9995, 0.99, np.array([0.0, 0.0, 0.0, 1.0]))
    assert gain[-1] == pytest.approx(mid / side * np.sqrt((1 - floor) / (1 + floor)), rel=1e-4)


def record_of(stage, sound):
    here = Context(RATE_HZ, "mix_bus.stages[0]")
    plan = stage.plan(here)
    state = stage.start(plan, 1, here)
    stage.process(plan, state, np.ascontiguousarray(sound[:, None]), {})
    return stage.record(plan, state, here)


@pytest.mark.parametrize(
    ("sides", "loss_db"), [([1, 1], 0.0), ([1, 0], -3.01), ([1, -1], -60.0), ([1, 0.5], -0.458)]
)
def test_the_log_tells_what_folding_to_mono_costs(sides, loss_db):
    """((1 + r) / 2)^2 against (1 + r^2) / 2."""
    loss = record_of(Width(), noise(RATE_HZ)[:, :1] * sides)["did"]["mono_loss_db"]
    assert len(loss) > 20
    assert list(loss.values()) == pytest.approx([loss_db] * len(loss), abs=0.01)


def test_the_loss_is_told_by_third_octave():
    """Lows in phase, highs out of phase."""
    low, high = (np.sin(2 * np.pi * hz / RATE_HZ * np.arange(2 * RATE_HZ)) for hz in (100, 5000))
    sound = 0.3 * (stereo(low) + np.column_stack([high, -high]))
    record = record_of(Width(width=0.5), sound)
    loss = record["did"]["mono_loss_db"]
    assert loss["100"] == pytest.approx(0, abs=0.01)
    assert loss["5000"] < -50
    assert record["why"].startswith(
        "Width 0.5: side against mid went from +0.0 to -6.0 dB; folded to mono it loses most at "
    )


def test_the_log_tells_how_far_it_was_narrowed():
    record = record_of(Width(correlation_floor=0.0), out_of_phase(RATE_HZ, 4.0))
    narrowing = record["did"]["narrowing"]
    assert narrowing["deepest_db"] == pytest.approx(12.0, abs=1.5)
    assert "correlation kept over 0; narrowed 100% of the time, by 12.1 dB at most:" in record["why"]
    calm = record_of(Width(correlation_floor=0.0), out_of_phase(RATE_HZ, 0.3))
    assert "narrowed at no time, 0 dB" in calm["why"]
