"""The demo: invented songs, made by code, with sessions and chains to read and change."""

from __future__ import annotations

import shutil
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from busproc.files import atomic_files, open_writer, quantise

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from numpy.typing import NDArray

RATE_HZ = 48000
HERE = Path(__file__).parent


def make_demo(folder: Path) -> Path:
    """Write stems, samples, hits, chains and session of one song; what is there already stays as it is.

    Parameters
    ----------
    folder
        Where to; made if it is missing.

    Returns
    -------
    Path
        The session file.
    """
    from busproc.demo.synth import PLAYERS, make_song

    _copy(HERE / "files", folder)
    _make(folder / "stems", PLAYERS, partial(make_song, RATE_HZ))
    _make_hits(folder)
    return folder / "session.json"


def make_demo_record(folder: Path) -> Path:
    """Write an album of four songs, with stems, chains and sessions; what is there already stays as it is.

    Parameters
    ----------
    folder
        Where to; made if it is missing.

    Returns
    -------
    Path
        The album file.
    """
    from busproc.demo.lantern_hours import SCORES
    from busproc.demo.synth import make_song, players_of

    _copy(HERE / "record", folder)
    _copy(HERE / "files", folder / "harbour_lamps")
    for name, score in SCORES.items():
        _make(folder / name / "stems", players_of(score), partial(make_song, RATE_HZ, score))
    _make_hits(folder / "harbour_lamps")
    return folder / "lantern_hours.json"


def _copy(source: Path, folder: Path) -> None:
    for file in sorted(source.rglob("*.json")):
        target = folder / file.relative_to(source)
        target.parent.mkdir(parents=True, exist_ok=True)
        if not target.exists():
            shutil.copyfile(file, target)


def _make_hits(folder: Path) -> None:
    """Samples to reinforce the frame drum with, and its hits as they are found."""
    from busproc.demo.samples import SAMPLES, make_samples
    from busproc.hits.finding import find_hits
    from busproc.hits.telling import hits_text

    _make(folder / "samples", SAMPLES, partial(make_samples, RATE_HZ))
    hits = folder / "hits" / "frame_drum.json"
    if not hits.exists():
        hits.parent.mkdir(parents=True, exist_ok=True)
        hits.write_text(hits_text(find_hits(folder / "stems" / "frame_drum.wav")), "utf-8")


def _make(folder: Path, names: Iterable[str], play: Callable[[], Mapping[str, NDArray[np.float64]]]) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    if all((folder / f"{name}.wav").exists() for name in names):
        return
    for name, sound in play().items():
        block = np.ascontiguousarray(sound.reshape(len(sound), -1))
        with (
            atomic_files([folder / f"{name}.wav"], overwrite=True) as (part,),
            open_writer(part, "wav", 24, RATE_HZ, block.shape[1], len(block)) as writer,
        ):
            writer.write(quantise(block, 24, 0, dither=True))
