"""A mix against references: measured at one loudness, with moves that would bring it nearer."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from busproc.chain import Chain
from busproc.comparing import page, report
from busproc.comparing.goal import Goal
from busproc.comparing.measures import Measures
from busproc.comparing.moves import find_moves
from busproc.comparing.same import find_copy
from busproc.comparing.sounds import Heard, Sound, find_sound
from busproc.errors import InputError
from busproc.progress import Progress, silently
from busproc.scratch import Scratch
from busproc.through import Entrance


@dataclass(frozen=True)
class Compared:
    """What a comparison has found.

    Attributes
    ----------
    document
        All of it, figures rounded, for JSON (`busproc-comparison/1`).
    chain
        The moves that brought the mix nearer, to be taken or not; None where none did.
    """

    document: dict[str, Any]
    chain: Chain | None

    def as_dict(self) -> dict[str, Any]:
        """All of it for JSON."""
        return self.document

    def in_words(self) -> str:
        """All of it as plain text, with tables."""
        return report.in_words(self.document)

    @property
    def page(self) -> str:
        """All of it as one HTML page that stands by itself: no script, no network."""
        return page.to_html(self.document)

    @property
    def chain_text(self) -> str | None:
        """The chain as a file (`busproc-chain/1`)."""
        return None if self.chain is None else json.dumps(report.chain_document(self.chain), indent=2) + "\n"


def compare(
    mix: Path | str,
    references: Sequence[Path | str],
    *,
    heard: Heard = "whole",
    folder: Path | None = None,
    progress: Progress = silently,
) -> Compared:
    """Compare a mix with references, and try what would bring it nearer.

    Parameters
    ----------
    mix
        An audio file, mono or stereo, 10 s or longer.
    references
        One such file or more; their rates may differ.
    heard
        What is compared of each: the whole, or the 15 s that are its loudest, quietest or most changing.
    folder
        Where the sound lies meanwhile; the system's temporary folder by default.
    progress
        Called with what is being done.

    Returns
    -------
    Compared
        Nothing of it is applied to anything.

    Raises
    ------
    AudioFileError
        For a file that cannot be read.
    InputError
        Without a reference, and for a sound that is too short or silent.
    """
    if not references:
        raise InputError("there is no reference to compare with: name one file or more")
    ours, *theirs = (find_sound(Path(each), heard, progress) for each in (mix, *references))
    entrance = _entrance(ours, folder, progress)
    found = [find_copy(ours, each, entrance, progress) for each in theirs]
    copies = tuple(each for each in found if each is not None)
    measures = [_measured(each, progress) for each in (ours, *theirs)]
    goal = Goal(measures[1:], copies if len(copies) == len(theirs) else ())
    moves = find_moves(goal, entrance, progress)
    document = report.build([ours, *theirs], measures, found, moves, heard)
    return Compared(document, moves.chain)


def _entrance(mix: Sound, folder: Path | None, progress: Progress) -> Entrance:
    """The part of the mix that is heard, for chains to be tried on."""
    sound = Scratch((2,), folder)
    for block in mix.blocks(*mix.span):
        progress(f"reading {mix.path.name}", 0.0)
        sound.append(block)
    return Entrance(mix.rate_hz, sound, sound.frames)


def _measured(sound: Sound, progress: Progress) -> Measures:
    measures = Measures(sound.rate_hz)
    for block in sound.blocks(*sound.span):
        progress(f"measuring {sound.path.name}", 0.0)
        measures.feed(block)
    if measures.reading().integrated_lufs is None:
        raise InputError(f"{sound.path} is silent, so there is nothing to compare; name another file")
    return measures
