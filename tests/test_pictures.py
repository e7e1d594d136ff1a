"""Pictures of chains: what is drawn is what the stages do."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.signal

from busproc.chain import Chain
from busproc.pictures.layout import draw_chain
from tests.oracles import static_gain_db

RATE_HZ = 48000


def axes_of(*stages):
    """Axes of a chain's picture, in order."""
    return draw_chain(Chain.model_validate({"stages": stages}), RATE_HZ).axes


def line(axes, label=None, width=2.0):
    """X and y of the line with a label, or of the thick one."""
    (found,) = (
        each for each in axes.lines if (each.get_label() == label if label else each.get_linewidth() == width)
    )
    return np.array(found.get_xdata()), np.array(found.get_ydata())


def point(axes):
    """Where the one dot is."""
    (dot,) = (each for each in axes.lines if each.get_marker() == "o")
    return dot.get_xdata()[0], dot.get_ydata()[0]


def analog_db(freq_hz, *filters):
    """Gain of analog filters, each its numerator, denominator and frequency, in the cookbook's form."""
    total = np.zeros(len(freq_hz))
    for b, a, at_hz in filters:
        total += 20 * np.log10(np.abs(scipy.signal.freqs(b, a, freq_hz / at_hz)[1]))
    return total


def bell(freq_hz, gain_db, q):
    """Source: Audio EQ Cookbook, W3C Working Group Note, 8 June 2021, analog prototype of the peaking EQ."""
    a = 10 ** (gain_db / 40)
    return [1, a / q, 1], [1, 1 / (a * q), 1], freq_hz


EQ = {
    "stage": "eq",
    "bands": [
        {"shape": "bell", "freq_hz": 300, "gain_db": -4, "q": 1.5},
        {"shape": "bell", "freq_hz": 9000, "gain_db": 3, "q": 0.8},
        {"shape": "high_pass", "freq_hz": 40, "slope_db_per_octave": 24},
        {"shape": "bell", "freq_hz": 1000, "gain_db": 6, "q": 2, "on": "side"},
    ],
}


@pytest.mark.parametrize("phase", ["minimum", "linear"])
def test_an_eq_is_drawn_as_the_analog_filters_it_is_made_after(phase):
    both, side = axes_of({**EQ, "phase": phase})
    freq_hz, sum_db = line(both, "sum")
    b, a = scipy.signal.butter(4, 1, "highpass", analog=True)
    expected = analog_db(freq_hz, bell(300, -4, 1.5), bell(9000, 3, 0.8), (b, a, 40))
    told = (freq_hz < 0.9 * RATE_HZ / 2) & (expected > -40)
    assert told.sum() > 400
    np.testing.assert_allclose(sum_db[told], expected[told], rtol=0, atol=0.15)  # what the EQ promises
    freq_hz, side_db = line(side, "sum")
    np.testing.assert_allclose(side_db, analog_db(freq_hz, bell(1000, 6, 2)), rtol=0, atol=0.1)
    assert freq_hz[0] == pytest.approx(10, abs=0.1)
    assert freq_hz[-1] == RATE_HZ / 2


@pytest.mark.parametrize(("gain_db", "q"), [(12, 20), (24, 8), (-12, 20)])
def test_a_narrow_bell_is_shown_to_its_top(gain_db, q):
    band = {"shape": "bell", "freq_hz": 1000, "gain_db": gain_db, "q": q}
    (axes,) = axes_of({"stage": "eq", "bands": [band]})
    low, high = axes.get_ylim()
    assert low < gain_db < high


def test_each_band_of_an_eq_is_drawn_thin_and_named():
    both, _ = axes_of(EQ)
    freq_hz, band_db = line(both, "-4 dB bell at 300 Hz, Q 1.5")
    np.testing.assert_allclose(band_db, analog_db(freq_hz, bell(300, -4, 1.5)), rtol=0, atol=0.1)


@pytest.mark.parametrize("on", ["left_right", "mid", "side"])
def test_a_dynamic_bell_is_shaded_from_rest_to_what_a_full_scale_sine_makes_of_it(on):
    band = {"shape": "dynamic_bell", "freq_hz": 500, "threshold_dbfs": -24, "ratio": 3, "q": 1, "on": on}
    (axes,) = axes_of({"stage": "eq", "bands": [{**band, "gain_db": 2.0}]})
    freq_hz, rest_db = line(axes, "sum at rest")
    _, moved_db = line(axes, "sum, a full-scale sine at each dynamic bell")
    centre = np.argmin(np.abs(freq_hz - 500))
    assert rest_db[centre] == pytest.approx(2.0, abs=0.05)
    assert moved_db[centre] == pytest.approx(2.0 + static_gain_db(0, -24, 3, 6), abs=0.2)
    (shade,) = axes.collections
    corners = shade.get_paths()[0].vertices
    assert corners[:, 1].min() == moved_db.min()
    assert corners[:, 1].max() == rest_db.max()
    assert axes.get_ylim()[0] < moved_db[centre]


@pytest.mark.parametrize(
    "settings",
    [
        {"detector": "peak"},
        {"detector": "rms", "ratio": 8, "knee_db": 0},
        {"knee_db": 20, "attack_ms": 200, "release_ms": "auto"},
        {"ratio": "infinity", "ballistics": "decoupled", "oversample": 2},
        {"topology": "feedback", "ratio": 6},
        {"on": "mid_side", "key": {"from": "kick"}, "side_chain": [{"shape": "high_pass", "freq_hz": 90}]},
        {"makeup_db": "matched"},
    ],
    ids=str,
)
def test_a_compressor_is_drawn_with_the_static_curve_of_the_paper(settings):
    """Source: Giannoulis, Massberg, Reiss, JAES 60(6), 2012."""
    stage = {"stage": "compressor", "threshold_dbfs": -20, "ratio": 3, "knee_db": 6} | settings
    level_in, level_out = line(axes_of(stage)[0])
    ratio = math.inf if stage["ratio"] == "infinity" else stage["ratio"]
    expected = [level + static_gain_db(level, -20, ratio, stage["knee_db"]) for level in level_in]
    np.testing.assert_allclose(level_out, expected, rtol=0, atol=0.02)
    assert (level_in[0], level_in[-1]) == (-60, 0)


def test_make_up_and_mix_are_in_the_static_curve():
    plain = {"stage": "compressor", "threshold_dbfs": -20, "ratio": 4, "knee_db": 0}
    level_in, level_out = line(axes_of({**plain, "makeup_db": 3, "mix": 0.5})[0])
    wet = [10 ** ((3 + static_gain_db(level, -20, 4, 0)) / 20) for level in level_in]
    np.testing.assert_allclose(level_out - level_in, 20 * np.log10(0.5 + 0.5 * np.array(wet)), atol=0.02)


def test_threshold_and_knee_are_marked():
    axes, *_ = axes_of({"stage": "compressor", "threshold_dbfs": -20, "knee_db": 8})
    assert any(list(each.get_xdata()) == [-20, -20] for each in axes.lines)
    (knee,) = axes.patches
    assert (knee.get_x(), knee.get_width()) == (-24, 8)


@pytest.mark.parametrize("lookahead_ms", [0, 2])
def test_attack_and_release_are_measured(lookahead_ms):
    """A peak detector sees a step at once, so 63.2 % of the way takes just the time that is set."""
    times = {"attack_ms": 7, "release_ms": 90, "hold_ms": 15, "lookahead_ms": lookahead_ms}
    _, attack, release = axes_of({"stage": "compressor", "detector": "peak", "knee_db": 0, **times})
    a_frame = 1000 / RATE_HZ
    assert point(attack)[0] == pytest.approx(7 - lookahead_ms, abs=1.1 * a_frame)
    # the reduction has not quite settled at the hold's end, so release may be told some frames early
    assert point(release)[0] == pytest.approx(90 + 15 - lookahead_ms, abs=0.5)
    assert attack.get_title("left") == f"Attack: 63 % at {point(attack)[0]:.3g} ms"
    deepest = static_gain_db(10, 0, 2, 0)
    assert point(attack)[1] == pytest.approx(deepest * (1 - math.exp(-1)), abs=0.05)
    assert line(release)[1][0] == pytest.approx(deepest, abs=0.02)
    assert line(release)[1][-1] == pytest.approx(0, abs=0.15)


def test_a_compressor_that_does_nothing_has_no_times():
    _, attack, release = axes_of({"stage": "compressor", "ratio": 1})
    assert [each.get_title("left") for each in (attack, release)] == [
        "Attack: no change",
        "Release: no change",
    ]


SHAPES = {
    "tanh": np.tanh,
    "cubic": lambda u: np.where(np.abs(u) < 1, u - u**3 / 3, np.sign(u) * 2 / 3),
    "clip": lambda u: np.clip(u, -1, 1),
    "asymmetric": lambda u: (np.tanh(u + 0.3) - np.tanh(0.3)) / (1 - np.tanh(0.3) ** 2),
}
"""What the stage's description says, with slope 1 at rest."""


@pytest.mark.parametrize("curve", SHAPES)
def test_a_saturator_is_drawn_as_its_formula(curve):
    drive = 10 ** (9 / 20)

    def bent(x):
        return x + 0.7 * (SHAPES[curve](drive * x) / drive - x)

    shape, harmonics = axes_of({"stage": "saturator", "curve": curve, "drive_db": 9, "mix": 0.7})
    x, y = line(shape)
    np.testing.assert_allclose(y, bent(x), rtol=0, atol=1e-9)
    for bars, level_db in zip(harmonics.containers, (0.0, -12.0), strict=True):
        sine = 10 ** (level_db / 20) * np.sin(2 * np.pi * np.arange(4096) / 4096)
        spectrum = np.abs(np.fft.rfft(bent(sine)))
        expected = 20 * np.log10(spectrum / spectrum[1] + 1e-12)
        tops = {round(bar.get_x() + bar.get_width() / 2): bar.get_y() + bar.get_height() for bar in bars}
        assert set(tops) == {order for order in range(2, 10) if expected[order] > -100}
        for order, top in tops.items():
            assert top == pytest.approx(expected[order], abs=0.1 if expected[order] > -80 else 1.0)


def test_width_is_drawn_as_gain_of_mid_and_side():
    """Source of the high-pass: Linkwitz, JAES 24(1), 1976: a Butterworth filter of second order, twice."""
    (axes,) = axes_of({"stage": "width", "width": 1.5, "mono_below_hz": 100, "mid_db": -2})
    freq_hz, mid_db = line(axes, "mid")
    _, side_db = line(axes, "side")
    np.testing.assert_allclose(mid_db, -2, rtol=0, atol=1e-6)
    fourth = (freq_hz / 100) ** 4
    low = freq_hz < 2000
    np.testing.assert_allclose(
        side_db[low], 20 * np.log10(1.5 * fourth / (1 + fourth))[low], rtol=0, atol=0.05
    )


def test_what_is_silent_is_named_so():
    (axes,) = axes_of({"stage": "width", "width": 0})
    assert [each.get_label() for each in axes.lines] == ["mid", "side (silent)"]


def test_a_balance_is_drawn_as_left_and_right():
    (axes,) = axes_of({"stage": "width", "balance_db": 4})
    assert line(axes, "mid to left")[1] == pytest.approx(-4)
    assert line(axes, "mid to right")[1] == pytest.approx(0, abs=1e-6)


@pytest.mark.parametrize("phase", ["minimum", "linear"])
def test_bands_of_a_split_cross_6_db_down_and_add_up(phase):
    """Source: Linkwitz, JAES 24(1), 1976."""
    inside = {"stages": [{"stage": "gain", "gain_db": -40}]}
    bands = [{"up_to_hz": 200, **inside}, {"up_to_hz": 3000}]
    axes = axes_of({"stage": "split", "phase": phase, "bands": bands})[0]
    freq_hz, low_db = line(axes, "bands[0], at +0 dB in the sum")
    _, middle_db = line(axes, "bands[1], at +0 dB in the sum")
    _, top_db = line(axes, "top, at +0 dB in the sum")
    for edge_hz, under_db, over_db in ((200, low_db, middle_db), (3000, middle_db, top_db)):
        for side_db in (under_db, over_db):
            assert np.interp(edge_hz, freq_hz, side_db) == pytest.approx(-6.02, abs=0.1)
    np.testing.assert_allclose(line(axes, "sum at these levels")[1], 0, rtol=0, atol=0.01)


@pytest.mark.parametrize("verify", [True, False])
def test_a_limiter_is_drawn_with_a_tone_that_leaves_at_the_ceiling(verify):
    settings = {"ceiling_dbtp": -3, "lookahead_ms": 4, "hold_ms": 20, "release_ms": 60, "verify": verify}
    up, down = axes_of({"stage": "limiter", **settings})
    time_ms, out_db = line(up, "out")
    loud = time_ms >= 0
    np.testing.assert_allclose(line(up, "in")[1], np.where(loud, 3, -9), rtol=0, atol=1e-6)
    np.testing.assert_allclose(out_db[time_ms > 1], -3, rtol=0, atol=0.1)
    assert out_db.max() < -3 + 0.01
    np.testing.assert_allclose(
        out_db[time_ms < -4.1], -9, rtol=0, atol=0.001
    )  # nothing before the look-ahead
    assert out_db[loud.argmax() - 1] == pytest.approx(-15, abs=0.1)  # just before the step it is turned down
    time_ms, out_db = line(down, "out")
    np.testing.assert_allclose(out_db[(time_ms > 0) & (time_ms < 15)], -15, rtol=0, atol=0.1)  # held
    assert out_db[-1] == pytest.approx(-9, abs=0.25)


def test_a_condition_does_not_keep_a_stage_from_being_drawn():
    when = {"measure": "true_peak_dbtp", "above": 0}
    (axes,) = axes_of({"stage": "eq", "bands": EQ["bands"][:1], "when": when})
    assert line(axes, "sum")[1].min() == pytest.approx(-4, abs=0.05)
