"""Which setting would bring a song back to its record: tried on the song's own chain and measured."""

from __future__ import annotations

import itertools
import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from busproc.album.decided import told_apart
from busproc.album.departures import DEPARTS, balance_db, kind_of, readings
from busproc.album.drive import CALIBRATION
from busproc.album.fitting import Desk
from busproc.album.knobs import Knob
from busproc.album.loading import Track
from busproc.album.report import heard_figures
from busproc.chain import Chain
from busproc.measure.meter import Meter
from busproc.measure.spectrum import ThirdOctaves
from busproc.stages.gain import Gain
from busproc.through import Entrance, entrance_of, through

MOST_STATED = 4
MOST_TRIES = 6
FEW_TRIES = 3
CLOSE = 0.25
"""Within this share of what is allowed nothing better is sought."""
HOPELESS = 0.8
"""A setting that has left more than this share of the distance after a few tries is given up."""

Song = dict[str, Any]
Departure = dict[str, Any]
Announce = Callable[[str], None]


def find(
    track: Track, chain: Chain, departures: Sequence[Departure], folder: Path, announce: Announce
) -> list[dict[str, Any]]:
    """Try what would bring one song back, each setting alone.

    Parameters
    ----------
    track
        The song, with the shared chain and its exceptions.
    chain
        That chain as it runs on this record (`drive.in_record`).
    departures
        Those of this song, from the report; the four worst are tried.
    folder
        Where the sounds lie meanwhile.
    announce
        Told what is being done, again and again while it is.

    Returns
    -------
    list
        For each departure tried: `what` it is, the best setting found as `set` of an exception and in `words`
        (none where none helps), how far the song lies from the median of the other songs `before` and `after`
        as measured, whether that is `within` what is allowed, which other departures are gone `also`, and
        what else it `moves` by more than a song may depart.
    """
    worst = sorted(departures, key=_times_too_far, reverse=True)[:MOST_STATED]
    if not worst:
        return []
    bench = Bench(chain, entrance_of(track.song, folder, announce, [chain]), announce)
    song, record = bench.hear(chain)
    desk = Desk(
        track.chain,
        chain,
        {name: path for name, path, _ in told_apart(record)},
        {stage["stage"]: stage["percentile_95_db"] for stage in song["dynamics"]},
        song["measured"]["true_peak_dbtp"] or 0.0,
    )
    scales = [Distance(departure, song) for departure in departures]
    return [
        _remedy(bench, desk, scale, [each for each in scales if each is not scale], song)
        for scale in (scales[departures.index(departure)] for departure in worst)
    ]


@dataclass
class Bench:
    """A song at the entrance of its chain, to be heard behind changed ones."""

    chain: Chain
    entrance: Entrance
    announce: Announce
    drives: dict[float, float | None] = field(default_factory=dict)

    def hear(self, chain: Chain) -> tuple[Song, list[dict[str, Any]]]:
        """What is compared of the song behind a chain, and what each stage did."""
        passed = through(chain.placed(), self.entrance, watched=True, announce=self.announce)
        meter, bands = Meter(self.entrance.rate_hz, 2), ThirdOctaves(self.entrance.rate_hz)
        for block in passed.left.blocks():
            self.announce("measuring the song")
            meter.feed(np.ascontiguousarray(block))
            bands.feed(block)
        drive = {"measured": self._drive(chain), "trim_db": 0.0}
        return heard_figures(meter, bands, passed.record) | {"drive": drive}, passed.record

    def _drive(self, chain: Chain) -> float | None:
        """95th percentile of short-term loudness behind the trim; what it was where that is as it was."""
        trims = [each for each in chain.stages if isinstance(each, Gain) and each.name == CALIBRATION]
        gain_db = sum(each.gain_db for each in trims)
        if gain_db not in self.drives:
            meter = Meter(self.entrance.rate_hz, 2)
            for block in through([("stages[0]", Gain(gain_db=gain_db))], self.entrance).left.blocks():
                meter.feed(np.ascontiguousarray(block))
            self.drives[gain_db] = meter.short_term_95_lufs()
        return self.drives[gain_db]


class Distance:
    """How far a song lies from the others in what it departs in.

    What was delivered may differ a little from what left the chain (its rate, a trim): as much is taken off.
    """

    def __init__(self, departure: Departure, before: Song) -> None:
        self.departure = departure
        self.allowed = DEPARTS[departure["kind"]][1]
        aims = departure.get("bands", [departure])
        delivered = [aim["value"] - aim["others"] for aim in aims]
        self._aims = [value - off for value, off in zip(self._values(before), delivered, strict=True)]
        self.before = self.furthest(before)

    def _values(self, song: Song) -> list[float]:
        if "bands" in self.departure:
            found = [balance_db(band["hz"], song) for band in self.departure["bands"]]
        else:
            found = [readings(song).get(self.departure["what"])]
        return [-np.inf if value is None else value for value in found]

    def each(self, song: Song) -> list[float]:
        """Distance in each third octave, or in the one figure."""
        return [value - aim for value, aim in zip(self._values(song), self._aims, strict=True)]

    def mean(self, song: Song) -> float:
        """What is brought to nothing."""
        return statistics.fmean(self.each(song))

    def furthest(self, song: Song) -> float:
        """What decides whether the song departs."""
        return max(self.each(song), key=abs)

    def is_within(self, song: Song) -> bool:
        """Whether it departs no more."""
        return abs(self.furthest(song)) <= self.allowed


def _remedy(
    bench: Bench, desk: Desk, scale: Distance, others: Sequence[Distance], before: Song
) -> dict[str, Any]:
    """The best of the fitting settings; the first that brings the song back and moves nothing else."""
    told: dict[str, Any] = {"set": None, "words": None, "moves": {}}
    best, song = (True, True, abs(scale.before)), before
    for knob in desk.knobs(scale.departure, scale.mean(before)):
        value, after = _turned(bench, knob, scale, before)
        moves = _moves([scale, *others], before, after)
        rank = not scale.is_within(after), bool(moves), abs(scale.furthest(after))
        if value != knob.start and _is_better(rank, best):
            best, song, told = rank, after, knob.told(value) | {"moves": moves}
        if not any(best[:2]):
            break
    return {
        "what": scale.departure["what"],
        **told,
        "before": _rounded(scale.before),
        "after": _rounded(scale.furthest(song)),
        "within": scale.is_within(song),
        "also": [each.departure["what"] for each in others if each.is_within(song)],
    }


def _is_better(rank: tuple[bool, bool, float], best: tuple[bool, bool, float]) -> bool:
    """Back within what is allowed first, then nothing else moved; nearer counts only where neither is."""
    return rank < best if rank[0] else rank[:2] < best[:2]


def _moves(departing: Sequence[Distance], before: Song, after: Song) -> dict[str, float]:
    """What did not depart and is moved by more than a song may depart."""
    known = {each.departure["what"] for each in departing}
    was = readings(before)
    changes = {
        what: value - old
        for what, value in readings(after).items()
        if what not in known and value is not None and (old := was.get(what)) is not None
    }
    return {
        what: round(change, 2) for what, change in changes.items() if abs(change) > DEPARTS[kind_of(what)][1]
    }


def _turned(bench: Bench, knob: Knob, scale: Distance, before: Song) -> tuple[float, Song]:
    """The best value of one setting, each tried as a person would type it, and the song behind it."""
    heard = {knob.start: before}
    value = knob.typed(knob.first)
    for tries in range(1, MOST_TRIES + 1):
        chain = None if value in heard else knob.turned(value)
        if chain is None:
            break
        heard[value], _ = bench.hear(chain)
        best = min(heard, key=lambda each: abs(scale.furthest(heard[each])))
        left = abs(scale.furthest(heard[best]))
        if left <= CLOSE * scale.allowed or (tries >= FEW_TRIES and left > HOPELESS * abs(scale.before)):
            break
        value = _next(knob, {each: scale.mean(song) for each, song in heard.items()})
    return min(heard.items(), key=lambda item: abs(scale.furthest(item[1])))


def _next(knob: Knob, off: dict[float, float]) -> float:
    """Where the distance should be nothing: between two signs, or on through the two nearest values."""
    tried = sorted(off)
    across = [(a, b) for a, b in itertools.pairwise(tried) if off[a] * off[b] < 0]
    a, b = across[0] if across else sorted(tried, key=lambda value: abs(off[value]))[:2]
    if off[a] == off[b] or not np.isfinite(off[a] - off[b]):
        return a
    value = knob.typed(a - off[a] * (b - a) / (off[b] - off[a]))
    return knob.typed((a + b) / 2) if across and value in off else value


def _rounded(value: float) -> float:
    return round(value, 2) + 0.0  # no minus before nothing


def _times_too_far(departure: Departure) -> float:
    return abs(float(departure["by"])) / DEPARTS[departure["kind"]][1]
