"""Stems that share a source: how late each is, which way up, and what their sum gains by undoing it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, NamedTuple

from busproc.checking.findings import Finding, Trial
from busproc.checking.hearing import mid_of, with_stem
from busproc.checking.sums import energy_db, gains_db, mean, most_db, sum_db
from busproc.measure.alignment import HELPS_A_BAND_DB, HELPS_DB, Aligned, align_pair
from busproc.measure.alignment_group import Group, align_group
from busproc.measure.alignment_rotation import fit_rotation
from busproc.pages.markup import shown
from busproc.session import Align, AllPass, Stem

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from typing import Any

    from busproc.measure import alignment_rotation
    from busproc.measure.alignment_delay import Polarity
    from busproc.progress import Progress
    from busproc.scratch import Scratch
    from busproc.song import Song

    Pair = tuple[str, str]

MOST_MS = 50.0
"""The longest way that a session can move a stem."""
IN_PHASE = 0.5
"""Of what two sounds have in common, a correction must bring at least so much in phase: of one source it is
nearly all. Parts that a machine plays from samples at the same time have much in common too, each note in
phases of its own, and reach 0.41. Ours, measured on such arrangements."""
MOST_SHARE = 0.45
"""All-passes nearer to half the rate are left out."""


class Phase(NamedTuple):
    """What was heard of the pairs, and what is wrong."""

    pairs: dict[Pair, Aligned]
    findings: list[Finding]


def phase_of(
    song: Song,
    clan: Sequence[tuple[str, ...]],
    shares: Mapping[str, float],
    temperature_c: float,
    progress: Progress,
) -> Phase:
    """Hear the pairs within each family, and solve for those that belong together.

    The loudest of those is the reference, and stays where it is.

    Parameters
    ----------
    song, shares
        The song, and how loud each stem is in it.
    clan
        Families that hang together.
    temperature_c
        Of the air.
    progress
        Told what is being done.
    """
    names = [name for name in song.files if any(name in family for family in clan)]
    sounds = {name: mid_of(song, name, progress) for name in names}
    wanted = [pair for pair in combinations(names, 2) if any(set(pair) <= set(family) for family in clan)]
    pairs = {}
    for done, (one, other) in enumerate(wanted):
        progress(f"setting {one} against {other}", done / len(wanted))
        pairs[one, other] = align_pair(sounds[one], sounds[other], song.rate_hz, temperature_c=temperature_c)
    findings = []
    for kin in _kin(pairs):
        reference = max(kin, key=lambda name: shares.get(name, 0.0))
        group = align_group({name: sounds[name] for name in kin}, reference, song.rate_hz)
        findings += _Solution(song, group, sounds, shares, progress, temperature_c).findings()
    return Phase(pairs, findings)


def _kin(pairs: Mapping[Pair, Aligned]) -> list[list[str]]:
    """Stems that belong together by what was heard, where aligning helps at least one pair."""
    made: list[set[str]] = []
    for pair, heard in pairs.items():
        if heard.delay_frames is not None and heard.verdict != "room":
            near = [kin for kin in made if kin & {*pair}]
            made = [kin for kin in made if kin not in near] + [set().union(pair, *near)]
    helped = [pair for pair, heard in pairs.items() if heard.verdict == "align"]
    order = list(dict.fromkeys(name for pair in pairs for name in pair))
    return [
        [name for name in order if name in kin] for kin in made if any(set(pair) <= kin for pair in helped)
    ]


@dataclass(frozen=True)
class _Move:
    """What brings a stem to the reference."""

    delay_frames: float
    polarity: Polarity
    rotate: tuple[alignment_rotation.AllPass, ...] = ()

    def of(self, stem: Stem, rate_hz: int) -> Stem:
        delay_ms = round(stem.align.delay_ms - 1000 * self.delay_frames / rate_hz, 6)
        turned = {"as_is": "inverted", "inverted": "as_is"}
        polarity = stem.polarity if self.polarity == 1 else turned[stem.polarity]
        turns = [AllPass(freq_hz=one.freq_hz, q=one.q) for one in self.rotate]
        align = Align(delay_ms=delay_ms, rotate=(*stem.align.rotate, *turns))
        return stem.model_copy(update={"polarity": polarity, "align": align})


class _Corrected(NamedTuple):
    """A pair as it is after a move, and what the whole of its sum has gained."""

    move: _Move
    pair: Aligned
    gained_db: float


class _Solution:
    """One source: its stems as they are, and as they are when corrected."""

    def __init__(
        self,
        song: Song,
        group: Group,
        sounds: Mapping[str, Scratch],
        shares: Mapping[str, float],
        progress: Progress,
        temperature_c: float,
    ) -> None:
        self.song, self.group, self.shares, self.progress = song, group, shares, progress
        self.temperature_c = temperature_c
        self._as_is = sounds
        self._moves = {
            name: _Move(placed.delay_frames, placed.polarity)
            for name, placed in group.sounds.items()
            if placed.declined is None and placed.delay_frames is not None and placed.polarity is not None
        }

    def findings(self) -> list[Finding]:
        """One for each stem that is to be moved, where a render shows that it helps."""
        movable = {
            name: move
            for name, move in self._moves.items()
            if abs(self.song.files[name].stem.align.delay_ms * self.song.rate_hz / 1000 - move.delay_frames)
            <= MOST_MS / 1000 * self.song.rate_hz
        }
        corrected = {**self._as_is, **{name: self._moved(name, move) for name, move in movable.items()}}
        found = [self._finding(name, move, corrected) for name, move in movable.items()]
        return [each for each in found if any(trial.works for trial in each.tried)]

    def _moved(self, name: str, move: _Move) -> Scratch:
        song = with_stem(self.song, move.of(self.song.files[name].stem, self.song.rate_hz))
        return mid_of(song, name, self.progress)

    def _finding(self, name: str, move: _Move, corrected: Mapping[str, Scratch]) -> Finding:
        partner, pair = self._best_pair(name)
        before_db = energy_db(self._as_is[partner], self._as_is[name]) or 0.0
        delayed = self._corrected(move, corrected[partner], corrected[name], before_db)
        heard = [delayed, *self._turned(name, partner, pair, before_db)]
        trials = [self._trial(name, pair, each) for each in heard]
        n = next((n for n, trial in enumerate(trials) if trial.works), 0)
        best, after = trials[n], heard[n].pair
        lost_db = max((best.after or 0.0) - (best.before or 0.0), 0.0)
        weight = self.shares.get(name, 0.0) + self.shares.get(partner, 0.0)
        gains = gains_db(pair, after)
        return Finding(
            "phase",
            (name, partner),
            cost=weight * (1 - math.pow(10, -lost_db / 10)),
            confidence=pair.confidence,
            words=_words(name, partner, move, pair, self.song.rate_hz, self.temperature_c),
            bands_hz=tuple(hz for hz, gain in gains.items() if gain >= HELPS_A_BAND_DB),
            figures=_figures(move, pair, after, self.song.rate_hz, self.group.reference)
            | {"temperature_c": self.temperature_c},
            tried=tuple(trials),
            suggestion=best.suggestion if best.works else None,
        )

    def _best_pair(self, name: str) -> tuple[str, Aligned]:
        """With whom a stem is heard: the reference, or whoever gains by it where that is not known."""
        known = {next(n for n in key if n != name): key for key in self.group.off_frames if name in key}
        reference = self.group.reference
        partner = reference if reference in known else next(iter(known))
        sounds = self._as_is[partner], self._as_is[name]
        return partner, align_pair(*sounds, self.song.rate_hz, temperature_c=self.temperature_c)

    def _corrected(self, move: _Move, one: Scratch, other: Scratch, before_db: float) -> _Corrected:
        return _Corrected(
            move, align_pair(one, other, self.song.rate_hz), (energy_db(one, other) or before_db) - before_db
        )

    def _trial(self, name: str, pair: Aligned, heard: _Corrected) -> Trial:
        """It works if bands of the sum gain, and what both have in common comes in phase, the loudest too."""
        move, after, gained_db = heard
        gains = gains_db(pair, after)
        mean_db = mean(gains.values()) or 0.0
        best_db = max(gains.values(), default=0.0)
        stem = move.of(self.song.files[name].stem, self.song.rate_hz)
        return Trial(
            what=_moved_in_words(name, move, self.song.rate_hz),
            measure="their sum, in the mean of its bands,",
            unit="dB",
            before=sum_db(pair),
            after=sum_db(after),
            price=f"the whole of it gains {shown(gained_db, 2, signed=True)} dB",
            works=(mean_db >= HELPS_DB or (best_db >= HELPS_A_BAND_DB and mean_db >= 0))
            and (sum_db(after) or 0.0) >= IN_PHASE * most_db(after)
            and gained_db >= 0,
            suggestion=_suggestion(stem),
        )

    def _turned(self, name: str, partner: str, pair: Aligned, before_db: float) -> list[_Corrected]:
        """With all-passes beside, by choice, where they add to the sum."""
        if partner != self.group.reference or self.song.files[name].stem.align.rotate:
            return []
        turn = fit_rotation(self._as_is[partner], self._as_is[name], self.song.rate_hz, pair)
        if turn is None or max(one.freq_hz for one in turn.filters) > MOST_SHARE * self.song.rate_hz:
            return []
        move = _Move(turn.delay_frames, turn.polarity, turn.filters)
        after = self._corrected(move, self._as_is[partner], self._moved(name, move), before_db)
        return [after] if after.pair.bands else []


def _words(name: str, partner: str, move: _Move, pair: Aligned, rate_hz: int, temperature_c: float) -> str:
    late_ms = 1000 * move.delay_frames / rate_hz
    late = f"{shown(abs(late_ms), 2)} ms {'late' if late_ms > 0 else 'early'}"
    path = (
        f", {shown(abs(pair.path_cm), 0)} cm of path at {temperature_c:g} °C"
        if pair.path_cm is not None
        else ""
    )
    is_in_time = abs(late_ms) < 0.005
    parts = [*([] if is_in_time else [late + path]), *(["upside down"] if move.polarity == -1 else [])]
    lost = [(band.lost_now_db, band.midband_hz) for band in pair.bands if band.heard]
    most_db, hz = max(lost, default=(0.0, 0.0))
    return (
        f"{name} is {' and '.join(parts)} against {partner}: their sum lies {shown(most_db)} dB under what "
        f"it could be at {hz:.0f} Hz."
    )


def _moved_in_words(name: str, move: _Move, rate_hz: int) -> str:
    ms = 1000 * abs(move.delay_frames) / rate_hz
    parts = [f"{ms:.3f} ms {'earlier' if move.delay_frames > 0 else 'later'}"] if ms >= 0.0005 else []
    parts += ["turned over"] if move.polarity == -1 else []
    parts += [f"an all-pass at {one.freq_hz:g} Hz" for one in move.rotate]
    return f"{name} {', '.join(parts)}"


def _suggestion(stem: Stem) -> dict[str, Any]:
    align = {"delay_ms": stem.align.delay_ms}
    turns = [{"freq_hz": one.freq_hz} | ({} if one.q is None else {"q": one.q}) for one in stem.align.rotate]
    return {
        "stem": stem.name,
        "polarity": stem.polarity,
        "align": {**align, **({"rotate": turns} if turns else {})},
    }


def _figures(move: _Move, pair: Aligned, after: Aligned, rate_hz: int, reference: str) -> dict[str, Any]:
    measured = {band.midband_hz: band.now_db for band in after.bands}
    return {
        "reference": reference,
        "delay_ms": 1000 * move.delay_frames / rate_hz,
        "delay_frames": move.delay_frames,
        "error_frames": pair.error_frames,
        "polarity": move.polarity,
        "path_cm": pair.path_cm,
        "direct_to_reverberant_db": pair.direct_to_reverberant_db,
        "notch_hz": None if pair.notch is None else pair.notch._asdict(),
        "bands": [
            {
                "hz": band.midband_hz,
                "now_db": band.now_db,
                "after_db": measured.get(band.midband_hz),
                "most_db": band.most_db,
            }
            for band in pair.bands
            if band.heard
        ],
    }
