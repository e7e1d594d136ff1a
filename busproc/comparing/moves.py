"""The few broad moves that would bring a mix nearer to its references, each tried through the real chain."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from busproc.chain import Chain
from busproc.comparing.fitting import Limits, fit
from busproc.comparing.goal import Away, Goal, Heard
from busproc.measure.level import LevelTally
from busproc.progress import Progress
from busproc.stages.base import Stage
from busproc.stages.compressor import Compressor
from busproc.stages.eq import Eq
from busproc.stages.eq_bands import Shaped
from busproc.stages.width import Width
from busproc.through import Entrance, through

Kind = Literal["balance", "width", "dynamics"]

MOST_DB = 6.0
"""The most by which a move, or several that lie over each other, turn anything towards another song."""
COPY_LIMITS = Limits(12.0, (0.3, 5.0))
SONG_LIMITS = Limits(MOST_DB, (0.3, 1.4142))
SIDE_BANDS = 2
WORTH_DB: dict[Kind, float] = {"balance": 0.02, "width": 0.3, "dynamics": 0.25}
"""Moves that bring the mix nearer by less are left out. Ours, not a standard's."""
LEAST_WIDTH_DB, LEAST_SIDE_DB = 0.3, 0.1
LEAST_DRIVE_DB = 1.0
"""So much more crest factor or range than the references have calls for a compressor."""
DRIVES_DB = (3.0, 0.0, -3.0, -6.0)
"""Thresholds that are tried, against the level of what comes in."""
QUICK, SLOW = {"attack_ms": 1.0, "release_ms": 120.0}, {"attack_ms": 30.0, "release_ms": "auto"}
RATIO = 2.0


@dataclass(frozen=True)
class Move:
    """One setting, and how far away the mix is with it and all before it."""

    kind: Kind
    words: str
    away: Away


@dataclass(frozen=True)
class Moves:
    """What was tried and brought the mix nearer, and the chain that does all of it.

    Attributes
    ----------
    before
        How far away the mix is as it stands.
    tried
        Each move, in their order.
    chain
        All of them; None where nothing brought it nearer.
    capped
        Whether they were held to 6 dB because the references are other songs.
    """

    before: Away
    tried: tuple[Move, ...]
    chain: Chain | None
    capped: bool


def find_moves(goal: Goal, mix: Entrance, progress: Progress) -> Moves:
    """Fit moves under limits and try each through the chain, one after the other.

    Parameters
    ----------
    goal
        The references.
    mix
        What is to be brought nearer.
    progress
        Called now and then.
    """
    bench = _Bench(goal, mix, progress)
    before = bench.away
    _shape_width(bench)  # first: it changes the balance, and the balance hardly changes it
    _shape_balance(bench)
    _drive(bench)
    chain = _chain(bench.stages, capped=bench.capped) if bench.stages else None
    return Moves(before, tuple(bench.moves), chain, bench.capped)


class _Bench:
    """A mix behind what has been found so far."""

    def __init__(self, goal: Goal, mix: Entrance, progress: Progress) -> None:
        self.goal, self.progress = goal, progress
        self.capped = not goal.copies
        self.limits = SONG_LIMITS if self.capped else COPY_LIMITS
        self.heard = Heard(mix, progress)
        self.away = goal.away(self.heard, progress)
        self.stages: list[Stage] = []
        self.moves: list[Move] = []

    def hear(self, *stages: Stage) -> tuple[Heard, Away]:
        """Take what has been reached through further stages."""
        placed = [(f"stages[{n}]", stage) for n, stage in enumerate(stages)]
        heard = Heard(through(placed, self.heard.sound, goes_on=True).left, self.progress)
        return heard, self.goal.away(heard, self.progress)

    def take(self, kind: Kind, steps: Sequence[tuple[str, tuple[Stage, ...]]]) -> None:
        """Try steps of which each holds those before it; keep all of them if the last is nearer."""
        if not steps:
            return
        tried = [(words, *self.hear(*stages)) for words, stages in steps]
        _, heard, away = tried[-1]
        if self.distance_db(kind, self.away) - self.distance_db(kind, away) < WORTH_DB[kind]:
            return
        self.moves += [Move(kind, words, away) for words, _, away in tried]
        self.stages += steps[-1][1]
        self.heard, self.away = heard, away

    @staticmethod
    def distance_db(kind: Kind, away: Away) -> float:
        """How far away in one respect."""
        return {"balance": away.balance_db, "width": away.width_db, "dynamics": away.dynamics_db}[kind] or 0.0


def _shape_balance(bench: _Bench) -> None:
    bands = fit(bench.goal.balance(bench.heard, bench.progress), bench.limits)
    bench.take(
        "balance", [(_band_in_words(bands[n]), (_eq("balance", bands[: n + 1]),)) for n in range(len(bands))]
    )


def _shape_width(bench: _Bench) -> None:
    if (bench.away.width_db or 0.0) < LEAST_WIDTH_DB:
        return
    wanted, most_db = bench.goal.width(bench.heard), bench.limits.gain_db
    bands = fit(wanted, bench.limits, SIDE_BANDS, "side")
    used_db = float(np.abs(wanted.effect_db(bands)).max(initial=0.0))
    room_db = max(0.0, most_db - used_db)
    level_db = wanted.mean_db(wanted.change_db - wanted.effect_db(bands))
    side_db = round(min(max(level_db, -room_db), room_db), 2)
    steps: list[tuple[str, tuple[Stage, ...]]] = []
    first: tuple[Stage, ...] = ()
    if abs(side_db) >= LEAST_SIDE_DB:
        first = (Width(stage="width", name="width", side_db=side_db),)
        steps.append((f"side {side_db:+g} dB", first))
    for n, band in enumerate(bands):
        steps.append((f"{_band_in_words(band)} on side", (*first, _eq("width by band", bands[: n + 1]))))
    bench.take("width", steps)


def _drive(bench: _Bench) -> None:
    """A compressor, where the mix has more crest factor or range: at the nearest of a few thresholds."""
    crest_db = bench.goal.crest_db(bench.heard.character)["whole"] or 0.0
    range_db = bench.goal.range_db(bench.heard.character)["whole"] or 0.0
    if max(crest_db, range_db) < LEAST_DRIVE_DB:
        return
    tally = LevelTally()
    for block in bench.heard.sound.blocks():
        tally.feed(np.ascontiguousarray(block))
    pace = QUICK if crest_db >= range_db else SLOW
    thresholds = [round(min(max((tally.rms_dbfs or 0.0) + drive, -80.0), 0.0), 1) for drive in DRIVES_DB]
    tried = [
        Compressor(stage="compressor", name="drive", threshold_dbfs=each, ratio=RATIO, **pace)
        for each in thresholds
    ]
    nearest = min(tried, key=lambda each: bench.distance_db("dynamics", bench.hear(each)[1]))
    words = (
        f"compressor {RATIO:g}:1 above {nearest.threshold_dbfs:g} dBFS, attack {nearest.attack_ms:g} ms, "
        f"release {nearest.release_ms}{'' if nearest.release_ms == 'auto' else ' ms'}"
    )
    bench.take("dynamics", [(words, (nearest,))])


def _eq(name: str, bands: tuple[Shaped, ...]) -> Eq:
    return Eq(stage="eq", name=name, bands=bands)


def _band_in_words(band: Shaped) -> str:
    return f"{band.in_words()}, Q {band.q:g}"


def _chain(stages: Sequence[Stage], *, capped: bool) -> Chain:
    return Chain(
        format="busproc-chain/1",
        title="Nearer to the references",
        purpose="Broad moves that bring one mix nearer to the references it was compared with.",
        not_for="Any other mix. Nothing applies it by itself."
        + (" The references are other songs: their arrangement looks like EQ." if capped else ""),
        listen_for="Whether the mix is better for it, at equal loudness; being nearer is no aim in itself.",
        stages=tuple(stages),
    )
