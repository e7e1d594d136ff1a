"""The demo: an invented song, made by code, with its session and chains to read and change."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np

from busproc.files import atomic_files, open_writer, quantise

RATE_HZ = 48000


def make_demo(folder: Path) -> Path:
    """Write stems, chains and session; what is there already stays as it is.

    Parameters
    ----------
    folder
        Where to; made if it is missing.

    Returns
    -------
    Path
        The session file.
    """
    source = Path(__file__).parent / "files"
    for file in sorted(source.rglob("*.json")):
        target = folder / file.relative_to(source)
        target.parent.mkdir(parents=True, exist_ok=True)
        if not target.exists():
            shutil.copyfile(file, target)
    _make_stems(folder / "stems")
    return folder / "session.json"


def _make_stems(folder: Path) -> None:
    from busproc.demo.synth import PLAYERS, make_song

    folder.mkdir(parents=True, exist_ok=True)
    if all((folder / f"{name}.wav").exists() for name in PLAYERS):
        return
    for name, sound in make_song(RATE_HZ).items():
        block = np.ascontiguousarray(sound.reshape(len(sound), -1))
        with (
            atomic_files([folder / f"{name}.wav"], overwrite=True) as (part,),
            open_writer(part, "wav", 24, RATE_HZ, block.shape[1], len(block)) as writer,
        ):
            writer.write(quantise(block, 24, 0, dither=True))
