"""A shootout with everything it names read and checked: songs, chains, variations, passages, reference."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

from busproc.chain import Chain, load_chain
from busproc.errors import AudioFileError, InputError, SettingsFileError
from busproc.files import AudioInfo, inspect, sha256_file
from busproc.jsonfile import load_settings
from busproc.routes import MIX_BUS, Bus
from busproc.session import Fader, Session, Stem
from busproc.shootouts.contest import Contest, TriedSong
from busproc.shootouts.drafts import Draft, drafted
from busproc.shootouts.faults import (
    fit_faults,
    goal_faults,
    match_faults,
    no_such_bus,
    passage_faults,
    range_faults,
)
from busproc.shootouts.settings import Shootout
from busproc.shootouts.trials import TrialPlan, plan_trials
from busproc.shootouts.variations import expand, hidden_repeat, trial_pairs
from busproc.song import Song, load_session
from busproc.sources import StemFile


def load_shootout(path: Path | str, *, allow_outside: bool = False) -> Contest:
    """Read a shootout file and everything it names.

    Parameters
    ----------
    path
        The shootout file; paths inside are relative to its folder.
    allow_outside
        Whether paths in the sessions may lead out of their folders.

    Raises
    ------
    SettingsFileError
        With every fault: of the shootout, its songs, its chains, what its variations change.
    """
    path = Path(path)
    return _Loader(path, load_settings(path, Shootout), allow_outside).contest()


class _Loader:
    """Collects faults while it reads, so that all are told at once."""

    def __init__(self, path: Path, shootout: Shootout, allow_outside: bool) -> None:
        self.path, self.shootout, self.allow_outside = path, shootout, allow_outside
        self.faults: list[str] = []

    def contest(self) -> Contest:
        shootout = self.shootout
        songs = dict(self._songs())
        base = None if shootout.chain is None else self._chain("chain", shootout.chain)
        own = {
            each.chain: self._chain(f"variations[{n}].chain", each.chain)
            for n, each in enumerate(shootout.variations)
            if each.chain is not None
        }
        chains = {name: chain for name, chain in own.items() if chain is not None}
        drafts, faults = drafted(shootout)
        self.faults += faults
        if shootout.chain is None:
            self.faults += self._baseless(songs, drafts)
        tried = [self._tried(n, song, base, chains, drafts) for n, song in songs.items()]
        self.faults += match_faults(shootout, tried)
        self.faults += goal_faults(shootout)
        reference = self._reference()
        pairs = self._pairs(tried, len(drafts))
        trials = self._trials(tried, pairs)
        if self.faults:
            raise SettingsFileError(self.path, list(dict.fromkeys(self.faults)))
        return Contest(self.path, shootout, tuple(tried), reference, pairs, trials)

    def _songs(self) -> Iterator[tuple[int, Song]]:
        first: dict[Path, int] = {}
        for n, entry in enumerate(self.shootout.songs):
            where = f"songs[{n}].file"
            file = self.path.parent / entry.file
            same = first.setdefault(file.absolute(), n)
            if same != n:
                self.faults.append(f"{where}: {entry.file} is songs[{same}] already")
                continue
            try:
                yield n, self._song(file)
            except SettingsFileError as error:
                self.faults += [f"{where} = {entry.file}: {fault}" for fault in error.faults]
            except AudioFileError as error:
                self.faults.append(f"{where}: {error}")

    def _song(self, file: Path) -> Song:
        if file.suffix.lower() == ".json":
            return load_session(file, allow_outside=self.allow_outside)
        return finished_mix(file)

    def _chain(self, where: str, name: str) -> Chain | None:
        try:
            return load_chain(self.path.parent / name)
        except SettingsFileError as error:
            self.faults += [f"{where} = {name}: {fault}" for fault in error.faults]
            return None

    def _baseless(self, songs: dict[int, Song], drafts: list[Draft]) -> Iterator[str]:
        """Finished mixes have no chain that could be varied."""
        needed = self.shootout.refine is not None or any(draft.chain is None for draft in drafts)
        mixes = [f"songs[{n}]" for n, song in songs.items() if _is_finished(song)]
        if needed and mixes:
            yield f"chain: missing; {', '.join(mixes)} is a finished mix and has no chain of its own to vary"

    def _tried(
        self, n: int, song: Song, base: Chain | None, chains: dict[str, Chain], drafts: list[Draft]
    ) -> TriedSong:
        shootout, entry, where = self.shootout, self.shootout.songs[n], f"songs[{n}]"
        passages = (*shootout.passages, *entry.passages)
        self.faults += passage_faults(where, shootout.passages, entry.passages, song)
        bus = shootout.bus or MIX_BUS
        bus_faults = list(no_such_bus(where, bus, song))
        self.faults += bus_faults
        known = base is not None or (shootout.chain is None and not _is_finished(song))
        base = base or (Chain() if bus_faults else song.buses[bus].chain)
        usable = [draft for draft in drafts if known or draft.chain is not None]
        variations, faults = expand(usable, base, chains, shootout.controls)
        if shootout.refine is not None and known:
            faults += range_faults(shootout.refine, base)
        of_song = f"{where}: " if shootout.chain is None else ""
        self.faults += [f"{of_song}{fault}" for fault in faults]
        tried = TriedSong(n + 1, entry, song, bus, base, passages, variations)
        if not bus_faults:
            self.faults += [f"{where}: {fault}" for fault in fit_faults(tried)]
        return tried

    def _reference(self) -> AudioInfo | None:
        if self.shootout.reference is None:
            return None
        try:
            return inspect(self.path.parent / self.shootout.reference)
        except AudioFileError as error:
            self.faults.append(f"reference: {error}")
            return None

    def _pairs(self, tried: list[TriedSong], least: int) -> tuple[tuple[str, str], ...]:
        blind = self.shootout.blind
        if blind is None or not tried or len(tried[0].variations) < least:
            return ()
        if not blind.pairs and self.shootout.controls is None:
            self.faults.append(
                "blind.pairs: missing; without controls there is no untouched input to compare with"
            )
        pairs, faults = trial_pairs(blind, tried[0].variations)
        self.faults += faults
        return pairs

    def _trials(self, tried: list[TriedSong], pairs: tuple[tuple[str, str], ...]) -> TrialPlan | None:
        blind = self.shootout.blind
        if blind is None or self.faults:
            return None
        try:
            return plan_trials(
                self.shootout.shootout,
                pairs,
                repeat=hidden_repeat(tried[0].variations),
                places=[(s, n) for s, each in enumerate(tried) for n in range(len(each.passages))],
                abx=blind.abx,
                preference=blind.preference,
                seed=blind.seed,
            )
        except InputError as error:
            self.faults.append(f"blind: {error}")
            return None


def finished_mix(file: Path) -> Song:
    """A finished mix as a song of one stem, so that it is rendered as any other.

    Raises
    ------
    AudioFileError
        When the file cannot be taken as it stands.
    """
    info = inspect(file)
    stem = Stem(name="mix", file=file.name)
    title = re.sub(r"[\x00-\x1f\x7f]", " ", file.stem)[:120]
    mix = Bus("mix", "stems", "stems[0]", stem, Chain())
    buses = {"mix": mix, MIX_BUS: Bus(MIX_BUS, "mix_bus", MIX_BUS, Fader(), Chain())}
    files = {"mix": StemFile(stem, file, info, sha256_file(file), info.rate_hz, 0)}
    session = Session(song=title, stems=(stem,))
    return Song(file, session, info.rate_hz, buses, ("mix", MIX_BUS), files, (), 0.0)


def _is_finished(song: Song) -> bool:
    return song.path.suffix.lower() != ".json"
