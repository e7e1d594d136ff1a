"""One song: facts, then one streaming run, then the files and the decision log."""

from __future__ import annotations

import json
import platform
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from busproc import decisions
from busproc.chain import BLOCK_FRAMES
from busproc.delivery.inputs import refuse_inputs
from busproc.delivery.orders import plain_name
from busproc.delivery.prints import Passage, part_name, plan_prints
from busproc.delivery.sets import write_sets
from busproc.errors import InputError
from busproc.files import atomic_files, folder_for
from busproc.making import make
from busproc.progress import Progress, silently
from busproc.pruning.judging import pruned
from busproc.song import Song, load_session


@dataclass(frozen=True)
class Rendered:
    """What a render wrote, and its decision log."""

    files: tuple[Path, ...]
    log: Path
    words: Path
    decisions: dict[str, Any]


def render(
    session: Song | Path | str,
    out_dir: Path | str,
    *,
    overwrite: bool = False,
    allow_outside: bool = False,
    from_s: float | None = None,
    to_s: float | None = None,
    prune: bool = False,
    block_frames: int = BLOCK_FRAMES,
    progress: Progress = silently,
) -> Rendered:
    """Render a session: write the mix in every format it asks for, and its decision log.

    Stems and versions are written by `print_session`.

    Parameters
    ----------
    session
        A session file, or a song from `load_session`.
    out_dir
        Folder for the results; made if it is missing.
    overwrite
        Replace files that are there.
    allow_outside
        Whether paths in the session may lead out of its folder.
    from_s, to_s
        Write only this passage, in song time. It equals that part of the whole, bit for bit.
    prune
        Leave out the stages that change nothing one could hear; the log says which and why.
    block_frames
        Size of the blocks; no result depends on it.
    progress
        Called now and then.

    Returns
    -------
    Rendered
        Files and decisions.

    Raises
    ------
    SettingsFileError
        With every fault of the session.
    InputError
        A file is there already, or the passage is no passage.
    RenderError
        The work could not be finished as asked.
    """
    if block_frames < 1:
        raise InputError(f"block_frames must be at least 1, not {block_frames}")
    started = time.time()
    song = session if isinstance(session, Song) else load_session(session, allow_outside=allow_outside)
    passage = _passage(song, from_s, to_s)
    numbers = [n for n, item in enumerate(song.session.deliver) if item.what == "mix"]
    if not numbers:
        raise InputError('this session delivers no mix; add {"what": "mix"}, or print its versions')
    prints = plan_prints(song.session, song.buses, song.rate_hz, numbers, passage)
    folder = folder_for(out_dir)
    name = plain_name(song.session.song) + part_name(passage)
    log, words = folder / f"{name}.decisions.json", folder / f"{name}.decisions.txt"
    finals = [*(folder / each.path for each in prints), log, words]
    refuse_inputs(song, finals)
    with atomic_files(finals, overwrite=overwrite) as parts:
        song = pruned(song, progress) if prune else song
        made = make(song, numbers, folder, block_frames, progress)
        written = write_sets(song, made, dict(zip(prints, parts, strict=False)), passage, progress)
        document = decisions.build(song, made, written, passage)
        parts[-2].write_text(decisions.to_json(document), encoding="utf-8")
        parts[-1].write_text(decisions.in_words(document), encoding="utf-8")
    _note_the_run(folder / f"{name}.run.json", started)
    return Rendered(tuple(finals[:-2]), log, words, document)


def _passage(song: Song, from_s: float | None, to_s: float | None) -> Passage | None:
    if from_s is None and to_s is None:
        return None
    end = song.frames / song.rate_hz
    first, last = from_s or 0.0, end if to_s is None else to_s
    if not 0 <= first < last or first >= end:
        raise InputError(f"no passage from {first:g} s to {last:g} s: the song runs from 0 to {end:.3f} s")
    return first, min(last, end)


def _note_the_run(path: Path, started: float) -> None:
    """When and where: beside the decision log, which says only what does not change from run to run."""
    run = {
        "format": "busproc-run/1",
        "started": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(started)),
        "seconds": round(time.time() - started, 2),
        "machine": platform.machine(),
        "system": platform.system(),
        "python": platform.python_version(),
    }
    path.write_text(json.dumps(run, indent=1) + "\n", encoding="utf-8")
