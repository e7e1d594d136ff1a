"""Faults of single stems, and of stems beside each other."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from busproc.checking import fault_costs, fault_words
from busproc.checking.fault_remedies import tried_on
from busproc.checking.findings import Finding
from busproc.checking.hearing import entering, file_blocks, mixed
from busproc.checking.mix_remedies import MixTryout
from busproc.measure.faults.doubles import Fingerprint, doubles
from busproc.measure.faults.lateness import Start, late
from busproc.measure.faults.stem import StemFaults
from busproc.measure.passages import Passage

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from busproc.checking.findings import Settings, Trial
    from busproc.measure.faults import finding as measured
    from busproc.measure.faults.doubles import Double
    from busproc.measure.faults.lateness import Late
    from busproc.progress import Progress
    from busproc.song import Song


@dataclass(frozen=True)
class StemHeard:
    """What a stem's own sound says, and what is kept of it to be held against others."""

    faults: dict[str, measured.Finding]
    start: Start
    fingerprint: Fingerprint


def hear_stem(song: Song, name: str, progress: Progress) -> StemHeard:
    """Search one stem.

    Faults are sought in its file as it is, for a change of rate would hide some and make others; what it is
    held against others by is taken as it enters its chain.
    """
    info = song.files[name].info
    faults, start = StemFaults(info.rate_hz, info.channels), Start(info.rate_hz, info.channels)
    for block in file_blocks(song, name):
        progress(f"searching {name}", 0.0)
        faults.feed(block)
        start.feed(block)
    fingerprint = Fingerprint(song.rate_hz)
    for block in entering(song, name):
        progress(f"searching {name}", 0.5)
        fingerprint.feed(block)
    return StemHeard(faults.findings(), start, fingerprint)


def pairs_of_one(heard: Mapping[str, StemHeard]) -> list[Double]:
    """Stems that are the same sound twice."""
    return doubles({name: each.fingerprint for name, each in heard.items()})


def fault_findings(
    song: Song,
    heard: Mapping[str, StemHeard],
    twice: list[Double],
    shares: Mapping[str, float],
    progress: Progress,
) -> list[Finding]:
    """Put what was found into words and order, and try what can be tried."""
    own = [
        _of_stem(song, name, kind, found, shares, progress)
        for name, each in heard.items()
        for kind, found in each.faults.items()
        if found.found and not _is_part_of_another(kind, each.faults)
    ]
    starts = {
        name: each.start
        for name, each in heard.items()
        if song.files[name].start_frame == 0 and song.files[name].delay_frames == 0
    }
    tryout = MixTryout(song, progress)
    lates = [_late(song, name, found, shares, tryout) for name, found in late(starts).items() if found.found]
    return [*own, *lates, *(_double(song, each, shares, tryout) for each in twice)]


def _is_part_of_another(kind: str, faults: Mapping[str, measured.Finding]) -> bool:
    """An inverted channel takes the low end with it."""
    return kind == "low_end" and "inverted" in faults and faults["inverted"].found


def _of_stem(
    song: Song,
    name: str,
    kind: str,
    found: measured.Finding,
    shares: Mapping[str, float],
    progress: Progress,
) -> Finding:
    file = song.files[name]
    length_s = max(file.info.frames / file.info.rate_hz, 1e-9)
    share = shares.get(name, 0.0)
    if kind == "silence":
        share = share or 1 / max(len(shares), 1)
    trials = tried_on(song, name, found, progress)
    return Finding(
        found_kind(kind),
        (name,),
        cost=share * fault_costs.severity(found, length_s),
        confidence=found.confidence,
        words=fault_words.in_words(name, found, file.info.container),
        where=tuple(_in_song(song, name, each) for each in found.where),
        bands_hz=fault_words.bands_of(found),
        figures=fault_words.figures_of(found),
        tried=tuple(trials),
        suggestion=_that_works(trials),
    )


def found_kind(kind: str) -> fault_words.FaultKind:
    """The name of a search as the kind of a finding."""
    assert kind in fault_words.KINDS
    return kind  # type: ignore[return-value]


def _in_song(song: Song, name: str, passage: Passage) -> Passage:
    """From the time of a file to that of the song."""
    file = song.files[name]
    since_s = (file.start_frame + file.delay_frames) / file.rate_hz
    return Passage(passage.from_s + since_s, passage.to_s + since_s)


def _late(song: Song, name: str, found: Late, shares: Mapping[str, float], tryout: MixTryout) -> Finding:
    rate_hz = song.files[name].info.rate_hz
    frames = found.silent_frames or 0
    late_ms = 1000 * frames / rate_hz
    trials = (tryout.moved(name, late_ms),) if late_ms <= fault_words.MOST_MS else ()
    return Finding(
        "late",
        (name,),
        cost=shares.get(name, 0.0) * fault_costs.lateness(late_ms),
        confidence=found.confidence,
        words=fault_words.late_in_words(name, found, late_ms),
        figures=fault_words.figures_of(found) | {"late_ms": late_ms},
        tried=trials,
        suggestion=_that_works(trials),
    )


def _double(song: Song, found: Double, shares: Mapping[str, float], tryout: MixTryout) -> Finding:
    pair = (found.second, found.first)
    trials = (tryout.muted(found.second),) if found.second in mixed(song) else ()
    return Finding(
        "double",
        pair,
        cost=min(shares.get(name, 0.0) for name in pair),
        confidence=found.confidence,
        words=fault_words.double_in_words(found),
        figures=fault_words.figures_of(found),
        tried=trials,
        suggestion=_that_works(trials),
    )


def _that_works(trials: Iterable[Trial]) -> Settings | None:
    return next((trial.suggestion for trial in trials if trial.works), None)
