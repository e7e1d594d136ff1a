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
ALIKE_DB = 3.0
"""So far from a stroke that is known, one may be to be of its kind."""
KNOWN_DB = 0.5
"""What is nearer to a stroke that is kept need not be kept too."""
MOST_KEPT = 64
CLEAR_DB = 6.0
"""Only what stands out so far is kept to compare with."""
BOTH_DB, BETTER_DB = 2.0, 1.0
"""So near to being two at once, and so much nearer than to any one of another drum, it is both."""
AS_BOTH, DOUBTFUL = 0.5, 0.2
"""How sure a hit is that is both; what is surer to be another drum's is not asked whether it is."""
FAINT_DB, PLAIN_DB = 2.0, 4.0
"""From nothing heard at all to no doubt that there is something."""


@dataclass
class _Known:
    """Strokes to compare with, each of a kind, and which kinds are this drum's."""

    rate_hz: int
    strokes: list[int] = field(default_factory=list)
    traces: list[Trace] = field(default_factory=list)
    kinds: list[int] = field(default_factory=list)
    own_kinds: set[int] = field(default_factory=set)
    both_kinds: set[int] = field(default_factory=set)
    """Those of this drum with another at once."""

    def take(self, n: int, trace: Trace, *, is_strong: bool) -> None:
        """Find the kind of the next weaker one, and keep it where that adds to what is known."""
        if self.kinds and trace.heard_db < CLEAR_DB:
            return
        unlike, _ = self.compared(trace)
        nearest_db = unlike.min(initial=math.inf)
        kind = self.kinds[unlike.argmin()] if nearest_db <= ALIKE_DB else max(self.kinds, default=-1) + 1
        if is_strong:
            self.own_kinds.add(kind)
        if nearest_db > KNOWN_DB and len(self.kinds) < MOST_KEPT:
            self.strokes.append(n)
            self.traces.append(trace)
            self.kinds.append(kind)

    def find_both(self) -> None:
        """Find the kinds whose strongest is a stroke of this drum and a softer one of another at once."""
        others = sorted(set(self.kinds) - self.own_kinds)
        strongest = {kind: self.traces[self.kinds.index(kind)] for kind in others}
        self.both_kinds = {kind for kind in others if self.is_both(strongest[kind], but=kind)}

    def is_both(self, trace: Trace, *, but: int | None = None) -> bool:
        """Whether a hit is one of this drum and a softer one of another at once, all kinds known but one."""
        told = [*zip(self.traces, self.kinds, strict=True)]
        own = [each for each, kind in told if kind in self.own_kinds]
        others = [each for each, kind in told if kind not in {*self.own_kinds, *self.both_kinds, but}]
        if not own or not others:
            return False
        alone_db = unlike_db(trace, np.array([each.shape for each in others]), self.rate_hz)[0].min()
        both_db = unlike_two_db(trace, own, others, self.rate_hz)
        return both_db <= min(BOTH_DB, float(alone_db) - BETTER_DB)

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
    known = _Known(rate_hz)
    for n in np.argsort(-added_dbfs, kind="stable"):
        known.take(int(n), traces[n], is_strong=added_dbfs[n] >= top_dbfs - STRONG_DB)
    known.find_both()
    return np.array([_confidence(n, traces[n], known, top_dbfs) for n in range(len(added_dbfs))])


def _confidence(n: int, trace: Trace, known: _Known, top_dbfs: float) -> float:
    heard = float(np.clip((trace.heard_db - FAINT_DB) / (PLAIN_DB - FAINT_DB), 0.0, 1.0))
    if trace.added_dbfs >= top_dbfs - STRONG_DB:
        return heard
    unlike, as_such_dbfs = known.compared(trace)
    unlike[np.array(known.strokes) == n] = math.inf
    if max(trace.added_dbfs, as_such_dbfs[unlike.argmin()]) < top_dbfs + WEAKEST_DB:
        return 0.0
    share = known.own_share(unlike)
    if DOUBTFUL < share < AS_BOTH and known.is_both(trace):
        share = AS_BOTH
    return heard * share
