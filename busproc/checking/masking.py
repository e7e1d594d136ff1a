"""Which stem is hidden by which, and what would bring it out."""

from __future__ import annotations

from typing import TYPE_CHECKING

from busproc.checking.findings import Finding
from busproc.checking.remedies import Tryout
from busproc.checking.together import HIDDEN
from busproc.measure.faults.finding import sureness
from busproc.pages.markup import clock, shown

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from busproc.checking.hearing import Contributions
    from busproc.measure.masking import Hiding
    from busproc.progress import Progress
    from busproc.song import Song

_SURELY_HIDDEN = 0.97
MOST_TRIED = 4
"""Findings for which remedies are tried."""


def masking_findings(
    song: Song,
    contributions: Contributions,
    hidden: Sequence[Hiding],
    shares: Mapping[str, float],
    progress: Progress,
) -> list[Finding]:
    """Put hidden stems into words, and try what would bring out those that cost most.

    Parameters
    ----------
    song, contributions
        What is heard.
    hidden, shares
        The pairs in which one is hidden, and how loud each stem is in the mix.
    progress
        Told what is being done.
    """
    hidden = sorted(hidden, key=lambda pair: -_cost(pair, shares))
    tried = hidden[:MOST_TRIED]
    sounds = contributions.on_disk(_names(tried)) if tried else {}
    tryout = Tryout(song, sounds, shares, progress)
    return [_finding(pair, shares, tryout if pair in tried else None) for pair in hidden]


def _names(pairs: Sequence[Hiding]) -> list[str]:
    return list(dict.fromkeys(name for pair in pairs for name in (pair.masked, pair.masker or "")))


def _cost(pair: Hiding, shares: Mapping[str, float]) -> float:
    return pair.loss * shares[pair.masked]


def _finding(pair: Hiding, shares: Mapping[str, float], tryout: Tryout | None) -> Finding:
    masker = pair.masker or ""
    trials = tryout.trials(pair) if tryout else []
    best = next((trial for trial in trials if trial.works), None)
    return Finding(
        "masking",
        (pair.masked, masker),
        cost=_cost(pair, shares),
        confidence=sureness(pair.loss, HIDDEN, _SURELY_HIDDEN),
        words=_words(pair),
        where=(pair.worst,),
        bands_hz=(pair.freq_hz,),
        figures={
            "loss": pair.loss,
            "loss_in_band": pair.loss_by_band[pair.band],
            "covered_in_band": pair.covered_by_band[pair.band],
            "sounds_in_band": pair.sounds_by_band[pair.band],
            "freq_hz": pair.freq_hz,
        },
        tried=tuple(trials),
        suggestion=best.suggestion if best else None,
    )


def _words(pair: Hiding) -> str:
    lost, there = (shown(100 * share, 0) for share in (pair.loss, pair.loss_by_band[pair.band]))
    return (
        f"{pair.masked} is hidden by {pair.masker}: {lost} % of its loudness is lost while it sounds, most "
        f"around {pair.freq_hz:.0f} Hz ({there} % of what it has there), and worst at "
        f"{clock(pair.worst.from_s)}."
    )
