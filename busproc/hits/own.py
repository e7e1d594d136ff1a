"""Which of the possible hits are strokes of this stem's own drum, and which another drum's, or nothing.

From the strongest down, each is compared with those before it: what is like one of them is of its kind, and
what is like none begins a kind of its own. A kind is this drum's if a strong hit is of it. Then each is
judged by what it is more like, softer and duller or not: a stroke of this drum or one of another.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from busproc.hits.traces import unlike_db

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from busproc.hits.traces import Trace, Traces

    Audio = NDArray[np.float64]

STRONG_DB = 6.0
"""Bleed does not come so near to the strongest. Ours, like all numbers here."""
STRONGEST = 3
"""The third strongest is meant: what is stronger may be two strokes at once."""
WEAKEST_DB = -40.0
ALIKE_DB = 3.3
"""So far from a stroke that is known, one may be to be of its kind."""
KNOWN_DB = 1.0
"""What is nearer to a stroke that is kept need not be kept too."""
MOST_KEPT = 64
CLEAR_DB, STRONG_CLEAR_DB = 6.0, 8.0
"""Only what stands out so far is kept to compare with, or strong."""
IN_DOUBT_DB = 1.0
"""Only what is so much nearer to another drum is not this one's, if it is like both."""
FAINT_DB, PLAIN_DB = 2.0, 5.0
"""From nothing heard at all to no doubt that there is something."""


@dataclass
class _Known:
    """Strokes to compare with, each of a kind, and which kinds are this drum's."""

    rate_hz: int
    strokes: list[int] = field(default_factory=list)
    traces: list[Trace] = field(default_factory=list)
    kinds: list[int] = field(default_factory=list)
    own_kinds: set[int] = field(default_factory=set)

    def take(self, n: int, trace: Trace, *, is_strong: bool) -> None:
        """Find the kind of the next weaker one, and keep it where that adds to what is known."""
        heard_db = trace.heard_db
        unlike = self.unlike_db(trace)
        nearest_db = min(unlike, default=np.inf)
        if nearest_db <= ALIKE_DB:
            kind = self.kinds[int(np.argmin(unlike))]
        elif heard_db >= CLEAR_DB or not self.kinds:
            kind = max(self.kinds, default=-1) + 1
        else:
            return
        if is_strong and (heard_db >= STRONG_CLEAR_DB or not self.own_kinds):
            self.own_kinds.add(kind)
        if (nearest_db > KNOWN_DB and heard_db >= CLEAR_DB and len(self.kinds) < MOST_KEPT) or not self.kinds:
            self.strokes.append(n)
            self.traces.append(trace)
            self.kinds.append(kind)

    def unlike_db(self, trace: Trace) -> Audio:
        if not self.traces:
            return np.zeros(0)
        return unlike_db(trace, self.shapes(np.ones(len(self.traces), dtype=bool)), self.rate_hz)[0]

    def shapes(self, which: NDArray[np.bool_]) -> Audio:
        return np.array([trace.shape for trace, wanted in zip(self.traces, which, strict=True) if wanted])


def confidences(traces: Traces, rate_hz: int) -> Audio:
    """How sure it is that each is a hit of this stem, 0 to 1: `(traces,)`."""
    added_dbfs = np.array([traces[n].added_dbfs for n in range(len(traces))])
    if not len(added_dbfs):
        return added_dbfs
    top_dbfs = np.sort(added_dbfs)[-STRONGEST:][0]
    known = _Known(rate_hz)
    for n in np.argsort(-added_dbfs, kind="stable"):
        known.take(int(n), traces[n], is_strong=added_dbfs[n] >= top_dbfs - STRONG_DB)
    return np.array([_confidence(n, traces[n], known, top_dbfs) for n in range(len(added_dbfs))])


def _confidence(n: int, trace: Trace, known: _Known, top_dbfs: float) -> float:
    heard = float(np.clip((trace.heard_db - FAINT_DB) / (PLAIN_DB - FAINT_DB), 0.0, 1.0))
    own = np.isin(known.kinds, list(known.own_kinds))
    itself = np.array(known.strokes) == n
    if (own & itself).any() and trace.added_dbfs >= top_dbfs - STRONG_DB:
        return heard
    unlike, gained_dbfs = unlike_db(trace, known.shapes(own | ~own), known.rate_hz)
    unlike[itself] = np.inf
    gained_dbfs += [each.added_dbfs for each in known.traces]
    if max(trace.added_dbfs, gained_dbfs[unlike.argmin()]) < top_dbfs + WEAKEST_DB:
        return 0.0
    own_db = unlike[own].min()
    other_db = unlike[~own].min(initial=np.inf)
    if own_db <= min(ALIKE_DB, other_db + IN_DOUBT_DB):
        return heard * (1.0 - 0.5 * float(own_db) / ALIKE_DB)
    return 0.0
