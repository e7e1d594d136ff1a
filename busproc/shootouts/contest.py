"""A shootout whose files have all been read and found good."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from busproc.chain import Chain
from busproc.files import AudioInfo
from busproc.shootouts.settings import Passage, Shootout, ShootoutSong
from busproc.shootouts.trials import TrialPlan
from busproc.shootouts.variations import Variation
from busproc.song import Song


@dataclass(frozen=True)
class TriedSong:
    """A song that all variations are tried on."""

    number: int
    entry: ShootoutSong
    song: Song
    bus: str
    """The bus whose chain is varied."""
    base: Chain
    passages: tuple[Passage, ...]
    variations: tuple[Variation, ...]
    """The same ids and names in every song; chains may differ where each session has its own."""

    def varied(self, chain: Chain) -> Song:
        """The song with another chain on the bus; a return without stages is silent."""
        song = self.song.with_chain(self.bus, chain)
        bus = song.buses[self.bus]
        if bus.kind != "returns" or chain.stages:
            return song
        silent = replace(bus, fader=bus.fader.model_copy(update={"mute": True}))
        return replace(song, buses={**song.buses, self.bus: silent})


@dataclass(frozen=True)
class Contest:
    """A shootout whose files have all been read and found good."""

    path: Path
    shootout: Shootout
    songs: tuple[TriedSong, ...]
    reference: AudioInfo | None
    pairs: tuple[tuple[str, str], ...]
    """Ids of variations that a listener compares blind."""
    trials: TrialPlan | None
    """Blind trials, settled before anything is heard."""
