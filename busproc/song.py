"""A session with everything it names read and checked: chains, audio files, routing."""

from __future__ import annotations

import graphlib
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from busproc.chain import Chain, load_chain
from busproc.delivery.faults import order_faults
from busproc.errors import AudioFileError, InputError, SettingsFileError
from busproc.files import AudioInfo, inspect, sha256_file
from busproc.hits.loading import FaultsError, load_played
from busproc.hits.playing import Played
from busproc.jsonfile import load_settings
from busproc.notes import notes_on
from busproc.routes import MIX_BUS, Bus, Kind, route_faults, running_order
from busproc.session import Fader, Session, Stem
from busproc.settings import named_files
from busproc.sources import StemFile
from busproc.stages.context import Context
from busproc.stages.filters import turn_of


@dataclass(frozen=True)
class Song:
    """A session whose files have all been read and found good."""

    path: Path
    session: Session
    rate_hz: int
    buses: dict[str, Bus]
    order: tuple[str, ...]
    files: dict[str, StemFile]
    notes: tuple[str, ...]
    origin_s: float
    """Its start on the clock that the stems' time references count by."""
    left_out: Mapping[str, Any] | None = None
    """For the log: which stages its chains once had and why they went; None where nobody asked."""

    @property
    def frames(self) -> int:
        """Length: the end of the stem that ends last."""
        return max(file.end_frame for file in self.files.values())

    def with_chain(self, name: str, chain: Chain) -> Song:
        """The same song with another chain on the bus of that name.

        Raises
        ------
        graphlib.CycleError
            When a key of the chain would lead sound round in a circle.
        """
        bus = replace(self.buses[name], chain=chain.seen_from(self.path.parent))
        buses = {**self.buses, name: bus}
        return replace(self, buses=buses, order=running_order(self.session, buses))

    def with_mix_bus(self, chain: Chain, file: str | None = None) -> Song:
        """The same song with another chain on its mix bus, and the name of its file where that is another."""
        song = self.with_chain(MIX_BUS, chain)
        if file is None:
            return song
        mix_bus = song.buses[MIX_BUS]
        mix_bus = replace(mix_bus, fader=mix_bus.fader.model_copy(update={"chain": file}))
        named = self.session.mix_bus.model_copy(update={"chain": file})
        session = self.session.model_copy(update={"mix_bus": named})
        return replace(song, session=session, buses={**song.buses, MIX_BUS: mix_bus})


def load_session(
    path: Path | str, *, allow_outside: bool = False, stems_folder: Path | str | None = None
) -> Song:
    """Read a session file and everything it names.

    Parameters
    ----------
    path
        The session file; paths inside are relative to its folder.
    allow_outside
        Whether those paths may lead out of that folder.
    stems_folder
        The folder to which paths of stems are relative, in place of the session's.

    Raises
    ------
    SettingsFileError
        With every fault: of the session, of its chain files, of its audio files, of the routing.
    """
    session = load_settings(path, Session)
    stems = None if stems_folder is None else Path(stems_folder)
    return _Loader(Path(path), session, allow_outside, stems).song()


class _Loader:
    """Collects faults while it reads, so that all are told at once."""

    def __init__(self, path: Path, session: Session, allow_outside: bool, stems: Path | None) -> None:
        self.path, self.session, self.allow_outside = path, session, allow_outside
        self.stems_folder = stems or path.parent
        self.faults: list[str] = []
        self._chains: dict[str, Chain] = {}

    def song(self) -> Song:
        buses = self._buses()
        self.faults += route_faults(self.session, buses)
        infos = self._infos()
        played = self._played(infos)
        rate_hz = self._rate(infos)
        order = self._order(buses)
        self._check_plans(buses, rate_hz)
        if self.session.rate_hz is not None or infos:
            self.faults += order_faults(self.session, buses, rate_hz)
        if self.faults:
            raise SettingsFileError(self.path, self.faults)
        origin_s = _origin_s(infos, self.session)
        files = self._place(infos, played, rate_hz, origin_s)
        notes = (*_clock_notes(infos, self.session, origin_s), *notes_on(buses, files))
        return Song(self.path, self.session, rate_hz, buses, order, files, notes, origin_s)

    def _fault(self, where: str, what: str) -> None:
        self.faults.append(f"{where}: {what}")

    def _faders(self) -> Iterator[tuple[str, Kind, str, Fader]]:
        session = self.session
        for n, stem in enumerate(session.stems):
            yield f"stems[{n}]", "stems", stem.name, stem
        for n, group in enumerate(session.groups):
            yield f"groups[{n}]", "groups", group.name, group
        for n, back in enumerate(session.returns):
            yield f"returns[{n}]", "returns", back.name, back
        yield MIX_BUS, "mix_bus", MIX_BUS, Fader(chain=session.mix_bus.chain)

    def _buses(self) -> dict[str, Bus]:
        buses: dict[str, Bus] = {}
        spare = {name for version in self.session.versions for name in version.also or ()}
        for path, kind, name, fader in self._faders():
            chain = self._chain(f"{path}.chain", fader.chain)
            if name in buses or (name == MIX_BUS and kind != "mix_bus"):
                other = buses[name].path if name in buses else MIX_BUS
                self._fault(f"{path}.name", f"{name!r} is already the name of {other}; names must differ")
                continue
            heard = not isinstance(fader, Stem) or fader.heard
            buses[name] = Bus(name, kind, path, fader, chain, is_spare=name in spare and not heard)
        return buses

    def _chain(self, where: str, name: str | None) -> Chain:
        if name is None:
            return Chain()
        file = self._inside(where, name, self.path.parent)
        if file is None:
            return Chain()
        if name not in self._chains:
            self._chains[name] = Chain()
            try:
                chain = load_chain(file, (self.stems_folder / name).parent)
                self._chains[name] = self._with_files(where, chain)
            except SettingsFileError as error:
                self.faults += [f"{where} = {name}: {fault}" for fault in error.faults]
        return self._chains[name]

    def _with_files(self, where: str, chain: Chain) -> Chain:
        """The chain with its files named from the folder of the session, which they do not lead out of."""
        chain = chain.seen_from(self.stems_folder)
        for inner, file in named_files(chain):
            self._inside(f"{where}: {inner}", file, self.stems_folder)
        return chain

    def _inside(self, where: str, name: str, folder: Path) -> Path | None:
        whose = "the session's folder" if folder == self.path.parent else str(folder)
        folder = folder.resolve()
        try:
            file = (folder / name).resolve()
        except (OSError, RuntimeError, ValueError):  # too long, a link to itself, a zero byte
            self._fault(where, f"{name!r} is no path that a file can have")
            return None
        if self.allow_outside or file.is_relative_to(folder):
            return file
        self._fault(
            where,
            f"{name!r} leads out of {whose}; move the file inside, or allow it "
            "(--allow-outside, allow_outside=True)",
        )
        return None

    def _order(self, buses: dict[str, Bus]) -> tuple[str, ...]:
        try:
            return running_order(self.session, buses)
        except graphlib.CycleError as error:
            self._fault("routing", f"sound goes round in a circle: {' -> '.join(error.args[1])}")
            return ()

    def _infos(self) -> dict[str, AudioInfo]:
        infos = {}
        for n, stem in enumerate(self.session.stems):
            file = self._inside(f"stems[{n}].file", stem.file, self.stems_folder)
            try:
                if file is not None:
                    infos[stem.name] = inspect(file)
            except AudioFileError as error:
                self._fault(f"stems[{n}].file", str(error))
        return infos

    def _played(self, infos: dict[str, AudioInfo]) -> dict[str, Played]:
        """What is heard in place of stems' files."""
        played = {}
        for n, stem in enumerate(self.session.stems):
            if stem.reinforce is not None and stem.name in infos:
                where = f"stems[{n}].reinforce"
                find = partial(self._named_by, where)
                try:
                    played[stem.name] = load_played(stem.reinforce, infos[stem.name], find)
                except FaultsError as error:
                    self.faults += [f"{where}.{key}: {what}" for key, what in error.faults]
        return played

    def _named_by(self, where: str, key: str, name: str) -> Path | None:
        return self._inside(f"{where}.{key}", name, self.stems_folder)

    def _rate(self, infos: dict[str, AudioInfo]) -> int:
        if self.session.rate_hz is not None:
            return self.session.rate_hz
        rates = Counter(info.rate_hz for info in infos.values())
        if len(rates) > 1:
            usual = rates.most_common(1)[0][0]
            odd = [f"{name} {info.rate_hz}" for name, info in infos.items() if info.rate_hz != usual]
            self._fault(
                "rate_hz",
                f"missing, and the stems do not share one rate: most are at {usual} Hz, but "
                f"{', '.join(odd)}; say which rate the song has, and the others are converted",
            )
        return next(iter(rates), 48000)

    def _check_plans(self, buses: dict[str, Bus], rate_hz: int) -> None:
        for bus in buses.values():
            self.faults += [f"{bus.chain_path}: {fault}" for fault in plan_faults(bus.chain, rate_hz)]
        for n, stem in enumerate(self.session.stems):
            for k, turn in enumerate(stem.align.rotate):
                try:
                    turn_of(turn.freq_hz, rate_hz)
                except InputError as error:
                    self._fault(f"stems[{n}].align.rotate[{k}]", str(error))

    def _place(
        self, infos: dict[str, AudioInfo], played: dict[str, Played], rate_hz: int, origin: float
    ) -> dict[str, StemFile]:
        files = {}
        for stem in self.session.stems:
            info = infos[stem.name]
            start_s = stem.start_s if stem.start_s is not None else (_reference_s(info) or origin) - origin
            digest, hits = sha256_file(info.path), played.get(stem.name)
            heard = hits.info(info) if hits else info
            start_frame = round(start_s * rate_hz)
            files[stem.name] = StemFile(stem, info.path, heard, digest, rate_hz, start_frame, hits)
        return files


def plan_faults(chain: Chain, rate_hz: int) -> Iterator[str]:
    """Stages that cannot run at a rate, told with the rest and not when the render has begun."""
    for where, stage in chain.placed():
        try:
            stage.plan(Context(rate_hz, facts=None))
        except InputError as error:
            yield f"{where}: {error}"


def _clock_notes(infos: dict[str, AudioInfo], session: Session, origin_s: float) -> Iterator[str]:
    """What is to be known where stems are placed by their time references."""
    placed = [stem.name for stem in session.stems if stem.start_s is None]
    without = [name for name in placed if _reference_s(infos[name]) is None]
    if origin_s:
        yield f"The song starts at {origin_s:.3f} s of the clock that the stems' time references count by."
    if origin_s and without:
        yield f"{', '.join(without)}: no time reference, so taken to start with the song."


def _reference_s(info: AudioInfo) -> float | None:
    frames = info.time_reference_frames
    return None if frames is None else frames / info.rate_hz


def _origin_s(infos: dict[str, AudioInfo], session: Session) -> float:
    """Time reference of the song's start: the earliest among the stems that are placed by theirs."""
    placed = [stem.name for stem in session.stems if stem.start_s is None]
    references = [_reference_s(infos[name]) for name in placed]
    return min((reference for reference in references if reference is not None), default=0.0)
