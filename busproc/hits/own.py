"""Which of the possible hits are strokes of this stem's own drum, and which another drum's, or nothing.

From the strongest down, each is compared with those before it: what is like one of them is of its kind, and
what is like none begins a kind of its own. A kind is this drum's if its strongest is strong: a skin struck
at its edge, or the lower of two blocks, is the stem's own as well. So is what is like a stroke of this drum
and a softer one of another at once. All else that is not strong is judged by the known stroke it is most
like, softer and duller or not, of this drum against the most like one of another.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from busproc.hits.unlike import unlike_db, unlike_two_db

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from busproc.hits.traces import Trace, Traces

    Audio = NDArray[np.float64]

STRONG_DB = 9.0
"""Bleed seldom comes so near to the strongest. Ours, like all numbers here."""
WEAKEST_DB = -30.0
ALIKE_DB, SPARED_DB, MOST_DB = 3.0, 1.25, 4.5
"""So far from strokes that are known, one may be to be of their kind, or so much further than strokes of this
drum mostly are: of one that sounds like noise no two are the same."""
MANY = 6
FEW = 3
"""What strokes of this drum mostly are is known from as many on."""
KNOWN_DB = 0.5
"""What is nearer to a stroke that is kept need not be kept too."""
KEPT_EACH, STEP_DB = 4, 6.0
"""So many are kept of a kind and of 6 dB of strength, so that a long recording leaves room for weak ones."""
CLEAR_DB = 6.0
"""Only what stands out so far is kept to compare with."""
BOTH_DB, BETTER_DB = 2.25, 1.0
"""So near to being two at once, and so much nearer than to any one of another drum, it is both."""
NEAREST = 8
"""So many strokes of this drum are tried."""
FAINT_DB, PLAIN_DB = 2.0, 4.0
"""From nothing heard at all to no doubt that there is something."""


@dataclass
class _Known:
    """Strokes to compare with, each of a kind, and which kinds are this drum's."""

    rate_hz: int
    top_dbfs: float
    strokes: list[int] = field(default_factory=list)
    traces: list[Trace] = field(default_factory=list)
    kinds: list[int] = field(default_factory=list)
    steps: list[tuple[int, int]] = field(default_factory=list)
    spread_db: list[float] = field(default_factory=list)
    """How far strokes of this drum were from those that were known."""
    own_kinds: set[int] = field(default_factory=set)
    both_kinds: set[int] = field(default_factory=set)
    """Those of this drum with another at once."""

    def take(self, n: int, trace: Trace) -> None:
        """Find the kind of the next weaker one, and keep it where that adds to what is known."""
        if self.kinds and trace.heard_db < CLEAR_DB:
            return
        unlike, _ = self.compared(trace)
        kind, like_db = self._most_like(unlike)
        if like_db > self._alike_db():
            kind = max(self.kinds, default=-1) + 1
            if trace.added_dbfs >= self.top_dbfs - STRONG_DB:
                self.own_kinds.add(kind)
        elif kind in self.own_kinds:
            self.spread_db.append(like_db)
        step = (kind, round(trace.added_dbfs / STEP_DB))
        if unlike.min(initial=math.inf) > KNOWN_DB and self.steps.count(step) < KEPT_EACH:
            self.strokes.append(n)
            self.traces.append(trace)
            self.kinds.append(kind)
            self.steps.append(step)

    def _most_like(self, unlike: Audio) -> tuple[int, float]:
        """The kind whose nearest is nearest, and how near; of many, the two nearest, lest it be by chance."""
        kinds, like_db = np.array(self.kinds), {}
        for kind in dict.fromkeys(self.kinds):
            of_kind = np.sort(unlike[kinds == kind])
            like_db[kind] = float(of_kind[: 2 if len(of_kind) >= MANY else 1].mean())
        return min(like_db.items(), key=lambda item: item[1], default=(-1, math.inf))

    def _alike_db(self) -> float:
        if len(self.spread_db) < FEW:
            return ALIKE_DB
        return float(np.clip(np.median(self.spread_db) + SPARED_DB, ALIKE_DB, MOST_DB))

    def find_both(self) -> None:
        """Find the kinds whose strongest is a stroke of this drum and a softer one of another at once."""
        kinds, own = np.array(self.kinds), np.isin(self.kinds, list(self.own_kinds))
        strongest = {kind: self.kinds.index(kind) for kind in sorted(set(self.kinds) - self.own_kinds)}
        for kind, n in strongest.items():
            unlike, _ = self.compared(self.traces[n])
            firsts = np.flatnonzero(own)[np.argsort(unlike[own], kind="stable")[:NEAREST]]
            both_db = unlike_two_db(
                self.traces[n],
                [self.traces[first] for first in firsts],
                [self.traces[second] for other, second in strongest.items() if other != kind],
                self.rate_hz,
            )
            other_db = unlike[~own & (kinds != kind)].min(initial=math.inf)
            if both_db <= min(BOTH_DB, other_db - BETTER_DB):
                self.both_kinds.add(kind)

    def compared(self, trace: Trace) -> tuple[Audio, Audio]:
        """How far a stroke is from each that is kept, and how strong it is if it is such a one, in dBFS."""
        if not self.traces:
            return np.zeros(0), np.zeros(0)
        unlike, gain_db = unlike_db(trace, np.array([each.shape for each in self.traces]), self.rate_hz)
        return unlike, gain_db + [each.added_dbfs for each in self.traces]

    def own_share(self, unlike: Audio) -> float:
        """From 0, just like a stroke of another drum, to 1, just like one of this drum or like no other."""
        own = np.isin(self.kinds, list(self.own_kinds | self.both_kinds))
        own_db, other_db = (unlike[which].min(initial=math.inf) for which in (own, ~own))
        if math.isinf(other_db):
            return 1.0
        return 0.0 if math.isinf(own_db) else float(other_db / (own_db + other_db))


def confidences(traces: Traces, rate_hz: int) -> Audio:
    """How sure it is that each is a hit of this stem, 0 to 1: `(traces,)`."""
    added_dbfs = np.array([traces[n].added_dbfs for n in range(len(traces))])
    if not len(added_dbfs):
        return added_dbfs
    clear = np.array([traces[n].heard_db >= CLEAR_DB for n in range(len(traces))])
    top_dbfs = added_dbfs[clear if clear.any() else slice(None)].max()
    known = _Known(rate_hz, top_dbfs)
    for n in np.argsort(-added_dbfs, kind="stable"):
        known.take(int(n), traces[n])
    known.find_both()
    return np.array([_confidence(n, traces[n], known) for n in range(len(added_dbfs))])


def _confidence(n: int, trace: Trace, known: _Known) -> float:
    heard = float(np.clip((trace.heard_db - FAINT_DB) / (PLAIN_DB - FAINT_DB), 0.0, 1.0))
    if trace.added_dbfs >= known.top_dbfs - STRONG_DB:
        return heard
    unlike, as_such_dbfs = known.compared(trace)
    unlike[np.array(known.strokes) == n] = math.inf
    if max(trace.added_dbfs, as_such_dbfs[unlike.argmin()]) < known.top_dbfs + WEAKEST_DB:
        return 0.0
    return heard * known.own_share(unlike)
