"""Which songs depart from a record: each figure against the median, bands only where they matter."""

from __future__ import annotations

import copy

import pytest

from busproc.album.departures import DEPARTS, HEARD_DB, find_departures, heard_bands
from busproc.measure.weighting import a_weighting_db
from busproc.stages.observe import NOMINAL_HZ

LIKE_MUSIC = [-12 - 0.03 * abs(k - 8) ** 2 for k in range(len(NOMINAL_HZ))]
"""Third octaves that fall from 125 Hz to both sides, by 15 dB up to 20 kHz."""


def song(number, bands=(), **figures):
    """A song like all others but for its third octaves, `{hz: dB more}`, and other figures."""
    levels = dict(zip(NOMINAL_HZ, LIKE_MUSIC, strict=True))
    for hz, more_db in dict(bands).items():
        levels[hz] += more_db
    measured = {"integrated_lufs": -14.0, "true_peak_dbtp": -1.0, "loudness_range_lu": 6.0, "rms_dbfs": -15.0}
    return {
        "number": number,
        "song": f"Song {number}",
        "drive": {"measured": figures.pop("drive", -20.0), "trim_db": 0.0},
        "measured": measured | figures.pop("measured", {}),
        "third_octaves_db": levels,
        "mono_loss_db": dict.fromkeys(NOMINAL_HZ, -0.5) | figures.pop("mono_loss_db", {}),
        "dynamics": [{"stage": "hold", "percentile_95_db": figures.pop("reduction_db", 3.0)}],
    }


def told(*songs):
    return [(each["number"], each["what"], each["by"]) for each in find_departures(songs)]


@pytest.mark.parametrize(
    ("freq_hz", "expected_db"),
    [
        (31.5, -39.4),
        (63, -26.2),
        (125, -16.1),
        (250, -8.6),
        (500, -3.2),
        (1000, 0.0),
        (4000, 1.0),
        (16000, -6.6),
    ],
)
def test_a_weighting(freq_hz, expected_db):
    """IEC 61672-1:2013, table 3 (from memory), whose values are for the exact frequencies, to 0.1 dB."""
    exact_hz = 1000 * 10 ** ((NOMINAL_HZ.index(f"{freq_hz:g}") - NOMINAL_HZ.index("1000")) / 10)
    assert a_weighting_db(exact_hz) == pytest.approx(expected_db, abs=0.05)


def test_alike_nothing_departs():
    assert told(song(1), song(2), song(3)) == []
    assert told(song(1, {"1000": 20.0}, drive=-3.0)) == []


@pytest.mark.parametrize(
    ("what", "figures"),
    [
        ("drive", {"drive": -20.0 + 1.0}),
        ("loudness", {"measured": {"integrated_lufs": -14.0 + 1.5, "true_peak_dbtp": -1.0 + 1.5}}),
        ("peak to loudness", {"measured": {"true_peak_dbtp": -1.0 - 3.0}}),
        ("loudness range", {"measured": {"loudness_range_lu": 6.0 + 5.0}}),
        ("low end out of the middle", {"mono_loss_db": {"80": -2.0}}),
        ("reduction of hold", {"reduction_db": 3.0 + 4.0}),
    ],
)
def test_each_figure_by_its_own_measure(what, figures):
    by = {"drive": 1.0, "loudness": 1.5, "peak to loudness": -3.0, "loudness range": 5.0}.get(
        what, -1.5 if what.startswith("low") else 4.0
    )
    assert told(song(1), song(2, **copy.deepcopy(figures)), song(3)) == [(2, what, by)]
    (found,) = find_departures([song(1), song(2, **figures), song(3)])
    assert found["value"] - found["others"] == pytest.approx(by)
    assert found["unit"] == DEPARTS[found["kind"]][0]


def test_the_aim_is_the_median_of_the_others():
    """Of two songs each departs by half their distance; brought to the other, it departs no more."""
    one, other = find_departures([song(1, drive=-20.0), song(2, drive=-17.0)])
    assert (one["by"], one["others"]) == (-1.5, -17.0)
    assert (other["by"], other["others"]) == (1.5, -20.0)


def test_neighbouring_bands_are_one_departure():
    more = {"2000": 4.2, "2500": 4.6, "3150": 4.1, "4000": 3.9, "630": 5.0, "800": -5.0, "1000": -6.0}
    found = find_departures([song(1), song(2, more), song(3)])
    assert [(each["what"], each["by"]) for each in found] == [
        ("balance 630 Hz", 5.0),
        ("balance 800 Hz to 1 kHz", -6.0),
        ("balance 2 to 3.15 kHz", 4.6),
    ]
    assert [(band["hz"], band["by"]) for band in found[2]["bands"]] == [
        ("2000", 4.2),
        ("2500", 4.6),
        ("3150", 4.1),
    ]
    assert all(band["value"] - band["others"] == pytest.approx(band["by"]) for band in found[2]["bands"])


def test_bands_that_do_not_matter_are_not_judged():
    """At 25 Hz and 20 kHz there is next to nothing to be heard, at 10 kHz there is."""
    assert told(song(1), song(2, {"25": 8.0, "31.5": -20.0}), song(3)) == []
    quiet = dict.fromkeys(("12500", "16000", "20000"), -60.0)
    assert told(song(1, quiet), song(2, quiet | {"20000": -50.0}), song(3, quiet)) == []
    assert told(song(1), song(2, {"10000": 5.0}), song(3)) == [(2, "balance 10 kHz", 5.0)]


def test_a_band_matters_if_it_does_in_the_song_or_in_the_record():
    """A tone at 25 Hz that only one song has, and a top that only one song lacks."""
    assert told(song(1), song(2, {"25": 60.0}), song(3)) == [(2, "balance 25 Hz", 60.0)]
    assert told(song(1), song(2, {"4000": -60.0}), song(3)) == [(2, "balance 4 kHz", -60.0)]


def test_what_matters_is_a_weighted():
    flat = dict.fromkeys(NOMINAL_HZ, -20.0)
    loudest_db = max(a_weighting_db(1000 * 10 ** (k / 10)) for k in range(-17, 14))
    expected = {
        hz
        for k, hz in enumerate(NOMINAL_HZ)
        if a_weighting_db(1000 * 10 ** ((k - 17) / 10)) >= loudest_db - HEARD_DB
    }
    assert heard_bands(flat) == expected
    assert "63" in expected
    assert "40" not in expected
    assert heard_bands(dict.fromkeys(NOMINAL_HZ)) == set()


def test_the_low_end_is_judged_where_it_sounds():
    """20 Hz is 45 dB under the loudest band, and may lose what it will."""
    loss = {"20": -20.0}
    bands = {"20": -40.0}
    assert told(song(1), song(2, bands, mono_loss_db=loss), song(3)) == []
    assert told(song(1), song(2, mono_loss_db=loss), song(3)) == [(2, "low end out of the middle", -19.5)]


def test_song_by_song_in_the_order_of_the_record():
    found = told(song(1, {"1000": 5.0}, drive=-19.0), song(2), song(3, drive=-22.0), song(4))
    assert [each[:2] for each in found] == [(1, "drive"), (1, "balance 1 kHz"), (3, "drive")]
