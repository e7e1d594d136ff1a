"""Which songs depart from the record, in what, and by how much."""

from __future__ import annotations

import statistics
from collections.abc import Iterator, Sequence
from typing import Any

from busproc.measure.spectrum import midband_hz
from busproc.measure.weighting import a_weighting_db
from busproc.stages.observe import NOMINAL_HZ

DEPARTS = {
    "drive": ("dB", 0.1),
    "loudness": ("LU", 1.0),
    "peak to loudness": ("dB", 2.5),
    "loudness range": ("LU", 4.0),
    "low end out of the middle": ("dB", 1.0),
    "reduction": ("dB", 2.0),
    "balance": ("dB", 4.0),
}
"""How far a song may lie from the median of the record before it is named. Ours, no standard's."""

HEARD_DB = 30.0
"""A third octave matters where it lies no further than this under the loudest one. Ours, no standard's.

For the balance levels are A-weighted, and it is enough that it matters in the song or in the record.
"""

LOW_BANDS = NOMINAL_HZ[: NOMINAL_HZ.index("125")]
AT_1000_HZ = NOMINAL_HZ.index("1000")

Song = dict[str, Any]
Departure = dict[str, Any]
Levels = dict[str, float | None]


def find_departures(songs: Sequence[Song]) -> list[Departure]:
    """Every song that lies further from the median of the record than `DEPARTS` allows, song by song.

    `by` is the distance from the median of the record, `others` the median of all other songs: a song that
    is brought there departs no more, whatever the record's median becomes. Neighbouring third octaves that
    depart the same way are one departure, `by` that of the furthest.
    """
    found = [*_in_one_figure(songs), *_in_balance(songs)]
    kinds = list(DEPARTS)
    return sorted(found, key=lambda each: (each["number"], kinds.index(each["kind"])))


def readings(song: Song) -> Levels:
    """The figures that are compared, but for the balance, by what they are called."""
    measured = song["measured"]
    return {
        "drive": entered(song),
        "loudness": measured["integrated_lufs"],
        "peak to loudness": peak_to_loudness_db(song),
        "loudness range": measured["loudness_range_lu"],
        "low end out of the middle": _low_end_db(song),
        **{f"reduction of {stage['stage']}": stage["percentile_95_db"] for stage in song["dynamics"]},
    }


def kind_of(what: str) -> str:
    """The kind of a figure of `readings`, as `DEPARTS` has it."""
    return "reduction" if what.startswith("reduction of ") else what


def unit_of(what: str) -> str:
    """The unit of a figure of `readings`."""
    return DEPARTS[kind_of(what)][0]


def entered(song: Song) -> float | None:
    """How loud a song enters the chain, in what `calibrate.by` measures."""
    return _sum(song["drive"]["measured"], song["drive"]["trim_db"])


def peak_to_loudness_db(song: Song) -> float | None:
    """True peak over integrated loudness."""
    return _sum(song["measured"]["true_peak_dbtp"], song["measured"]["integrated_lufs"], -1)


def balance_db(hz: str, song: Song) -> float | None:
    """A third octave against the song's own RMS level."""
    return _sum(song["third_octaves_db"].get(hz), song["measured"]["rms_dbfs"], -1)


def _in_one_figure(songs: Sequence[Song]) -> Iterator[Departure]:
    every = [readings(song) for song in songs]
    for what in dict.fromkeys(name for each in every for name in each):
        kind = kind_of(what)
        values = [each.get(what) for each in every]
        for n, value, by in _apart(values, DEPARTS[kind][1]):
            yield _named(songs[n], kind, what, by) | {
                "value": round(value, 2),
                "others": _of_others(values, n),
            }


def _in_balance(songs: Sequence[Song]) -> Iterator[Departure]:
    """Runs of third octaves that matter and depart the same way."""
    columns = {hz: [balance_db(hz, song) for song in songs] for hz in NOMINAL_HZ}
    record = heard_bands({hz: _median(values) for hz, values in columns.items()})
    for n, song in enumerate(songs):
        judged = record | heard_bands({hz: values[n] for hz, values in columns.items()})
        apart = {
            hz: {
                "hz": hz,
                "by": round(by, 2),
                "value": round(value, 2),
                "others": _of_others(values, n),
            }
            for hz, values in columns.items()
            if hz in judged
            for k, value, by in _apart(values, DEPARTS["balance"][1])
            if k == n
        }
        for bands in _runs(apart):
            by = max((band["by"] for band in bands), key=abs)
            yield _named(song, "balance", f"balance {_span(bands)}", by) | {"bands": bands}


def heard_bands(balance: Levels) -> set[str]:
    """Third octaves that matter: those within `HEARD_DB` of the loudest, A-weighted."""
    levels = {
        hz: level + a_weighting_db(midband_hz(NOMINAL_HZ.index(hz) - AT_1000_HZ))
        for hz, level in balance.items()
        if level is not None
    }
    return {hz for hz, level in levels.items() if level >= max(levels.values()) - HEARD_DB}


def _apart(values: Sequence[float | None], allowed: float) -> Iterator[tuple[int, float, float]]:
    """Place, value and distance from the median of those that lie further from it than is allowed."""
    middle = _median(values)
    for n, value in enumerate(values):
        if value is not None and middle is not None and abs(value - middle) > allowed:
            yield n, value, value - middle


def _runs(apart: dict[str, Departure]) -> list[list[Departure]]:
    """Neighbours with the same sign together."""
    runs: list[list[Departure]] = []
    before = None
    for k, hz in enumerate(NOMINAL_HZ):
        band = apart.get(hz)
        if band:
            if before == (k - 1, band["by"] > 0):
                runs[-1].append(band)
            else:
                runs.append([band])
            before = (k, band["by"] > 0)
    return runs


def _span(bands: Sequence[Departure]) -> str:
    """From where to where, such as "2 to 3.15 kHz"."""
    (low, low_unit), (high, high_unit) = (_hz_in_words(bands[k]["hz"]) for k in (0, -1))
    if len(bands) == 1:
        return f"{low} {low_unit}"
    return f"{low}{'' if low_unit == high_unit else f' {low_unit}'} to {high} {high_unit}"


def _hz_in_words(hz: str) -> tuple[str, str]:
    return (f"{float(hz) / 1000:g}", "kHz") if float(hz) >= 1000 else (hz, "Hz")


def _named(song: Song, kind: str, what: str, by: float) -> Departure:
    return {
        "number": song["number"],
        "song": song["song"],
        "kind": kind,
        "what": what,
        "by": round(by, 2),
        "unit": DEPARTS[kind][0],
    }


def _low_end_db(song: Song) -> float | None:
    """What folding to mono costs at most in the low end, of the bands that matter in the song."""
    levels = song["third_octaves_db"]
    loudest = max((level for level in levels.values() if level is not None), default=0.0)
    return min(
        (
            song["mono_loss_db"][hz]
            for hz in LOW_BANDS
            if song["mono_loss_db"].get(hz) is not None and levels[hz] >= loudest - HEARD_DB
        ),
        default=None,
    )


def _median(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return statistics.median(known) if known else None


def _of_others(values: Sequence[float | None], n: int) -> float | None:
    middle = _median([*values[:n], *values[n + 1 :]])
    return None if middle is None else round(middle, 2)


def _sum(one: float | None, other: float | None, sign: int = 1) -> float | None:
    return None if one is None or other is None else one + sign * other
