"""The stems of a session heard before they are mixed: what is wrong, in order of what it costs the mix."""

from __future__ import annotations

import itertools
import json
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from busproc.chain import Chain
from busproc.checking import page, report
from busproc.checking.families import clans, families
from busproc.checking.faults import fault_findings, hear_stem, pairs_of_one
from busproc.checking.findings import Finding, in_order
from busproc.checking.hearing import Contributions, sounding
from busproc.checking.masking import masking_findings
from busproc.checking.phase import Phase, phase_of
from busproc.checking.sums import shares_source
from busproc.checking.together import Together
from busproc.delivery.orders import plain_name
from busproc.engine import Crew, Engine, crew_of
from busproc.errors import InputError
from busproc.files import atomic_files
from busproc.measure.alignment import TEMPERATURE_C
from busproc.progress import JobProgress, Progress, jobs_silently
from busproc.pruning.judging import pruned
from busproc.song import Song, load_session

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping

    from busproc.measure.faults.doubles import Double

COLDEST_C, HOTTEST_C = -20.0, 50.0
"""Temperatures of air in which something may have been recorded."""
SURELY_ONE = 0.9
"""Confidence under which two stems may be two microphones as well. Ours."""


@dataclass(frozen=True)
class Checked:
    """What a check has found.

    Attributes
    ----------
    findings
        What is wrong, the most costly first; what costs the mix nothing stands last.
    document
        All of it, figures rounded, for JSON (`busproc-check/1`).
    chains
        For each stem in which a cut brings out another one, its chain with that cut, to be taken or not.
    """

    findings: tuple[Finding, ...]
    document: dict[str, Any]
    chains: Mapping[str, Chain]

    def as_dict(self) -> dict[str, Any]:
        """All of it for JSON."""
        return self.document

    def in_words(self) -> str:
        """All of it as plain text."""
        return report.in_words(self.document)

    @cached_property
    def page(self) -> str:
        """All of it as one HTML page that stands by itself: no script, no network."""
        return page.to_html(self.document)

    def write_remedies(self, folder: Path | str) -> list[Path]:
        """Write each of the chains as `<stem>.json`, to be named in the session or not.

        Parameters
        ----------
        folder
            An existing folder; files that the chains name are named from there.

        Raises
        ------
        InputError
            When a file is there already.
        """
        folder = Path(folder).absolute()
        chains = {folder / f"{plain_name(name)}.json": chain for name, chain in self.chains.items()}
        with atomic_files(list(chains)) as parts:
            for part, chain in zip(parts, chains.values(), strict=True):
                part.write_text(chain_text(chain.seen_from(folder)), encoding="utf-8")
        return list(chains)


def check(
    session: Song | Path | str,
    *,
    engine: Engine | None = None,
    allow_outside: bool = False,
    temperature_c: float = TEMPERATURE_C,
    stages: bool = False,
    progress: JobProgress = jobs_silently,
) -> Checked:
    """Hear the stems of a session, and say what is wrong with them.

    Nothing is changed. Sounds lie on disk meanwhile: for each family of stems that may share a source the
    middles of all, and up to eight stems whose masking is worked on.

    Parameters
    ----------
    session
        A session file, or a song from `load_session`.
    engine
        Where stems and families are heard, and how many side by side; one after the other by default. What is
        found is the same for any.
    allow_outside
        Whether paths in the session may lead out of its folder.
    temperature_c
        Of the air between sources and microphones, -20 to 50, for paths in cm.
    stages
        Whether the song is also heard without each stage of its chains, a render for each.
    progress
        Called now and then, with the stem.

    Raises
    ------
    InputError
        For a temperature out of bounds.
    SettingsFileError
        With every fault of the session and all that it names.
    AudioFileError
        For a file that breaks off or holds what is not a number.
    """
    if not COLDEST_C <= temperature_c <= HOTTEST_C:
        raise InputError(
            f"the temperature of the air is {COLDEST_C:g} to {HOTTEST_C:g} °C, not {temperature_c:g} °C"
        )
    song = (
        session
        if isinstance(session, Song)
        else load_session(Path(session).absolute(), allow_outside=allow_outside)
    )

    def told(what: str, done: float) -> None:
        progress("", what, done)

    with crew_of(engine or Engine(), progress) as crew:
        checked = _checked(song, crew, temperature_c, told)
    return replace(
        checked, document=checked.document | {"left_out": pruned(song, told).left_out if stages else None}
    )


def _checked(song: Song, crew: Crew, temperature_c: float, progress: Progress) -> Checked:
    names = sounding(song)
    heard = crew.each("searching stems", hear_stem, {name: (song, name) for name in names})
    stems = dict(zip(names, heard, strict=True))
    twice = pairs_of_one(stems)
    contributions = Contributions(song, progress)
    together = Together(song, contributions)
    items = {
        f"{clan[0][0]} and its kin": (song, clan, together.shares, temperature_c)
        for clan in clans(families(song))
    }
    phases = crew.each("setting stems against each other", phase_of, items)
    masked = together.masked(_of_one_source(phases, twice) | _blended(song, names))
    findings = in_order(
        [
            *_without_doubles(phases, twice),
            *masking_findings(song, contributions, masked.hidden, together.shares, progress),
            *fault_findings(song, stems, twice, together.shares, progress),
        ]
    )
    pairs = [each.pairs for each in phases]
    document = report.build(song, findings, together, masked, pairs, temperature_c)
    return Checked(tuple(findings), document, _chains(song, findings))


def chain_text(chain: Chain) -> str:
    """A chain as the text of a file (`busproc-chain/1`)."""
    return json.dumps(_set_in(chain), indent=2, ensure_ascii=False) + "\n"


def _set_in(chain: Chain) -> dict[str, Any]:
    """What is set in a chain, and nothing else."""
    return {"format": chain.format} | chain.model_dump(mode="json", by_alias=True, exclude_unset=True)


def _without_doubles(phases: Iterable[Phase], twice: Collection[Double]) -> list[Finding]:
    """Phase of two stems that are surely one needs no mending: one of them is too many."""
    same = {frozenset((each.first, each.second)) for each in twice if each.confidence >= SURELY_ONE}
    return [each for phase in phases for each in phase.findings if frozenset(each.stems) not in same]


def _of_one_source(phases: Iterable[Phase], twice: Iterable[Double]) -> set[frozenset[str]]:
    same = {frozenset((each.first, each.second)) for each in twice}
    known = {
        frozenset(pair) for phase in phases for pair, heard in phase.pairs.items() if shares_source(heard)
    }
    return same | known


def _blended(song: Song, names: Iterable[str]) -> set[frozenset[str]]:
    """Samples that are blended with the recording whose hits they play, or with each other."""
    files = {name: song.files[name] for name in names}
    return {
        frozenset((one, other))
        for one, other in itertools.combinations(files, 2)
        if files[one].path == files[other].path and (files[one].played or files[other].played)
    }


def _chains(song: Song, findings: Iterable[Finding]) -> dict[str, Chain]:
    """The stems' chains with the cuts that were best, one for each stem: each was tried by itself."""
    chains: dict[str, Chain] = {}
    for each in findings:
        change = each.suggestion or {}
        if each.kind == "masking" and "stage" in change and change["stem"] not in chains:
            before = song.buses[change["stem"]].chain
            document = _set_in(before)
            stages = [*document.get("stages", []), change["stage"]]
            purpose = f"{before.purpose} Makes room for {each.stems[0]}.".strip()
            chains[change["stem"]] = before.changed(document | {"purpose": purpose, "stages": stages})
    return chains
