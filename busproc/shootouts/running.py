"""A shootout on its way: what was found before is known, and only what is new is rendered."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from busproc.chain import Chain
from busproc.delivery.orders import plain_name
from busproc.digests import chain_document, mix_sha256, sha256_of
from busproc.engine import Crew
from busproc.files import sha256_file
from busproc.known import Known
from busproc.shootouts.contest import Contest, TriedSong
from busproc.shootouts.figures import Figures, measure
from busproc.shootouts.matching import (
    matching_gains_db,
    refuse_unequal,
    refuse_unmeasured,
    write_matched,
)
from busproc.shootouts.ranking import weighted
from busproc.shootouts.refine import Refined
from busproc.shootouts.refining import Place, search, song_name, unit_name, with_refined
from busproc.shootouts.trying import (
    Curve,
    Listened,
    Spans,
    Way,
    follow,
    listen,
    share,
    trunk_of,
    try_in_song,
)
from busproc.shootouts.variations import Shared, Variation
from busproc.song import Song
from busproc.stages.base import Stage

Curves = dict[str, Curve]
_New = Mapping[int, Sequence[Variation]]
"""Variations that are not there yet, by the number of the song."""


@dataclass(frozen=True)
class Heard:
    """One variation in one passage of one song: figures, and the file that was written at one loudness."""

    song: int
    passage: int
    variation: Variation
    figures: Figures
    curve: Curve
    gain_db: float
    file: Path
    measured: dict[str, Any]


@dataclass(frozen=True)
class Done:
    """All that a shootout has found."""

    contest: Contest
    spans: tuple[Spans, ...]
    heard: tuple[Heard, ...]
    refined: Refined | None


@dataclass
class Running:
    """Steps of a shootout; each song is mixed once, and each stage that variations share runs once."""

    contest: Contest
    folder: Path
    known: Known
    crew: Crew
    listened: dict[int, Listened] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.sounds = self.known.folder / "sounds"
        self.sounds.mkdir(parents=True, exist_ok=True)
        reference = self.contest.reference
        self.reference = None if reference is None else (reference.path, sha256_file(reference.path))

    def run(self, *, refine: bool = False) -> Done:
        """Render, measure, match and write all variations; before, by choice, search for one more."""
        refined = search(self.contest, self.figures_of) if refine else None
        if refined is not None and refined.is_better:
            self.contest = with_refined(self.contest, refined)
        heard = self._match(self.figures_of(self.contest.songs))
        self.known.save(forget=True)
        self._tidy()
        spans = tuple(self._about(tried)[0] for tried in self.contest.songs)
        return Done(self.contest, spans, tuple(heard), refined)

    def figures_of(self, songs: Sequence[TriedSong]) -> dict[Place, Figures]:
        """Figures of every variation of these songs in every passage; what is not there is rendered."""
        self.render(songs)
        return self._measure(songs)

    def _key(self, tried: TriedSong, chain: Chain | None = None) -> str:
        """Digest of all that a song's passages depend on, behind a chain or untouched."""
        passages = [each.model_dump() for each in tried.passages]
        through = None if chain is None else chain_document(chain)
        return sha256_of([mix_sha256(_bare(tried)), tried.bus, passages, through])

    def _files(self, tried: TriedSong, chain: Chain) -> list[Path]:
        key = self._key(tried, chain)
        return [self.sounds / f"{key[:32]}_{n}.wav" for n in range(len(tried.passages))]

    def _is_there(self, tried: TriedSong, chain: Chain) -> bool:
        return self._key(tried, chain) in self.known and all(f.exists() for f in self._files(tried, chain))

    def _listen(self, songs: Sequence[TriedSong]) -> None:
        """Mix songs up to the bus that is varied; their untouched passages are kept."""
        new = [tried for tried in songs if tried.number not in self.listened]
        jobs = {
            song_name(tried): (tried, self._path(tried, "entrance"), self._files(tried, Chain()))
            for tried in new
        }
        for tried, found in zip(new, self.crew.each("mixing songs", listen, jobs), strict=True):
            self.listened[tried.number] = found
            self.known[self._key(tried)] = [found.spans, found.level_lufs]
            self.known[self._key(tried, Chain())] = []

    def _about(self, tried: TriedSong) -> tuple[Spans, float | None]:
        """Passages of a song in frames, and its level."""
        spans, level_lufs = self.known[self._key(tried)]
        return tuple((first, last) for first, last in spans), level_lufs

    def render(self, songs: Sequence[TriedSong]) -> None:
        """Keep the passages of every variation; stages that several begin with are run once."""
        missing = {
            tried.number: [each for each in tried.variations if not self._is_there(tried, each.chain)]
            for tried in songs
        }
        some = [
            tried
            for tried in songs
            if missing[tried.number]
            or self._key(tried) not in self.known
            or not self._is_there(tried, Chain())
        ]
        self._listen(some)
        new = {t.number: [v for v in missing[t.number] if v.chain.stages] for t in some}
        make = self._through_stages if self.contest.shootout.bus is None else self._in_songs
        for tried, curves in make(some, new):
            for each in tried.variations:
                if each.id in curves:
                    self.known[self._key(tried, each.chain)] = curves[each.id]
        self.known.save()

    def _in_songs(self, songs: Sequence[TriedSong], new: _New) -> Iterator[tuple[TriedSong, Curves]]:
        """Each variation of a bus heard in the whole song."""
        jobs, whose = {}, []
        for tried in songs:
            listened, files = self.listened[tried.number], self._files_of(tried, new[tried.number])
            for each in new[tried.number]:
                job = tried, Way(listened.kept), each, listened.spans, files
                jobs[f"{song_name(tried)}: {each.name}"] = job
                whose.append(tried)
        yield from zip(whose, self.crew.each("rendering variations", try_in_song, jobs), strict=True)

    def _through_stages(self, songs: Sequence[TriedSong], new: _New) -> Iterator[tuple[TriedSong, Curves]]:
        """Variations of the mix bus, grown out of what several begin with."""
        trunks = {tried.number: trunk_of(new[tried.number]) for tried in songs}
        ways = self._share(songs, {number: stages for number, (stages, _) in trunks.items()})
        jobs, whose = {}, []
        for tried in songs:
            spans, files = self.listened[tried.number].spans, self._files_of(tried, new[tried.number])
            names = {each.id: each.name for each in tried.variations}
            for branch in trunks[tried.number][1]:
                job = f"{song_name(tried)}: {names[_first_end(branch)]}"
                jobs[job] = ways[tried.number], branch, spans, files
                whose.append(tried)
        yield from zip(whose, self.crew.each("rendering variations", follow, jobs), strict=True)

    def _files_of(self, tried: TriedSong, variations: Sequence[Variation]) -> dict[str, list[Path]]:
        return {each.id: self._files(tried, each.chain) for each in variations}

    def _share(self, songs: Sequence[TriedSong], trunks: Mapping[int, tuple[Stage, ...]]) -> dict[int, Way]:
        """How far each song has come once the stages that all of its variations share have run."""
        ways = {tried.number: Way(self.listened[tried.number].kept) for tried in songs}
        some = [tried for tried in songs if trunks[tried.number]]
        jobs = {
            song_name(tried): (ways[tried.number], trunks[tried.number], self._path(tried, "shared"))
            for tried in some
        }
        found = self.crew.each("running what variations share", share, jobs)
        return ways | {tried.number: way for tried, way in zip(some, found, strict=True)}

    def _path(self, tried: TriedSong, kind: str) -> Path:
        return self.sounds / f"{self._key(tried)[:32]}.{kind}"

    def _measure(self, songs: Sequence[TriedSong]) -> dict[Place, Figures]:
        """Figures of every variation in every passage."""
        jobs: dict[str, tuple[Any, ...]] = {}
        new: dict[str, str] = {}
        keys: dict[Place, str] = {}
        for tried in songs:
            spans, level_lufs = self._about(tried)
            untouched = self._files(tried, Chain())
            for each in tried.variations:
                curve = self.known[self._key(tried, each.chain)]
                for n, (file, span) in enumerate(zip(self._files(tried, each.chain), spans, strict=True)):
                    reference = None if self.reference is None else self.reference[0]
                    key = sha256_of([self._key(tried, each.chain), n, self.reference and self.reference[1]])
                    keys[tried.number, n, each.id] = key
                    if key not in self.known and key not in new.values():
                        name = f"{song_name(tried)}: {each.name}, {tried.passages[n].called}"
                        cut = _cut(curve, span, tried.song.rate_hz)
                        jobs[name] = file, untouched[n], each.chain, cut, level_lufs, reference
                        new[name] = key
        for name, found in zip(new, self.crew.each("measuring", measure, jobs), strict=True):
            self.known[new[name]] = found
        self.known.save()
        weights = self.contest.shootout.weights
        return {place: weighted(self.known[key], weights) for place, key in keys.items()}

    def _match(self, figures: Mapping[Place, Figures]) -> list[Heard]:
        """Write every variation of every passage at one loudness."""
        gains: dict[Place, float] = {}
        for tried in self.contest.songs:
            gains |= self._gains_db(tried, figures)
        jobs, places = {}, []
        for tried in self.contest.songs:
            for each in tried.variations:
                for n, kept in enumerate(self._files(tried, each.chain)):
                    place = tried.number, n, each.id
                    final = self.folder / _final(tried, n, each)
                    final.parent.mkdir(parents=True, exist_ok=True)
                    jobs[f"{song_name(tried)}: {each.name}, {tried.passages[n].called}"] = (
                        kept,
                        final,
                        gains[place],
                    )
                    places.append((tried, n, each, place, final))
        measured = self.crew.each("writing at one loudness", write_matched, jobs)
        heard = []
        for (tried, n, each, place, final), read in zip(places, measured, strict=True):
            spans, _ = self._about(tried)
            curve = _cut(self.known[self._key(tried, each.chain)], spans[n], tried.song.rate_hz)
            heard.append(Heard(tried.number - 1, n, each, figures[place], curve, gains[place], final, read))
        self._refuse_unequal(heard)
        return heard

    def _refuse_unequal(self, heard: Sequence[Heard]) -> None:
        match = self.contest.shootout.match
        levels: dict[tuple[int, int], dict[str, float | None]] = {}
        for each in heard:
            passage = self.contest.songs[each.song].passages[each.passage].called
            if match.passage in {None, passage}:
                levels.setdefault((each.song, each.passage), {})[each.variation.id] = each.measured[
                    self._matched
                ]
        for (song, n), lufs in levels.items():
            refuse_unequal(lufs, unit_name(self.contest, song, n))

    @property
    def _matched(self) -> str:
        """The figure in which all variations are made alike."""
        is_integrated = self.contest.shootout.match.to == "integrated"
        return "integrated_lufs" if is_integrated else "short_term_max_lufs"

    def _gains_db(self, tried: TriedSong, figures: Mapping[Place, Figures]) -> dict[Place, float]:
        """The gain of each variation, by the passage it is heard in or by the one that was named."""
        match = self.contest.shootout.match
        gains: dict[Place, float] = {}
        for n in range(len(tried.passages)):
            by = n
            if match.passage is not None:
                by = [each.called for each in tried.passages].index(match.passage)
            levels = {each.id: figures[tried.number, by, each.id][self._matched] for each in tried.variations}
            peaks = {
                each.id: figures[tried.number, n, each.id]["true_peak_dbtp"] for each in tried.variations
            }
            refuse_unmeasured(levels, unit_name(self.contest, tried.number - 1, by))
            found = matching_gains_db(levels, peaks)
            gains |= {(tried.number, n, name): gain for name, gain in found.items()}
        return gains

    def _tidy(self) -> None:
        """Keep the passages that were used for the next run, and nothing else."""
        used = {
            file
            for tried in self.contest.songs
            for chain in (Chain(), *(each.chain for each in tried.variations))
            for file in self._files(tried, chain)
        }
        for file in self.sounds.iterdir():
            if file not in used:
                file.unlink()


def _bare(tried: TriedSong) -> Song:
    return tried.song.with_chain(tried.bus, Chain())


def _first_end(branch: Shared) -> str:
    """The first variation that a tree leads to."""
    return branch.ends[0] if branch.ends else _first_end(branch.branches[0])


def _cut(curve: Sequence[float], span: tuple[int, int], rate_hz: int) -> Curve:
    """Gain reduction within a passage."""
    first, last = (round(10 * frame / rate_hz) for frame in span)
    return tuple(curve[first:last])


def _final(tried: TriedSong, passage: int, variation: Variation) -> Path:
    """Where a variation is written."""
    song = f"{tried.number:02d}_{plain_name(tried.song.session.song)}"
    called = f"{passage + 1:02d}_{plain_name(tried.passages[passage].called)}"
    return Path("heard", song, called, f"{variation.id}_{plain_name(variation.name)}.wav")
