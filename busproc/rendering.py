"""One song: facts, then one streaming run, then the files and the decision log."""

from __future__ import annotations

import json
import platform
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from busproc import decisions
from busproc.chain import BLOCK_FRAMES
from busproc.delivery import Print, part_name, write_print
from busproc.errors import InputError, RenderError
from busproc.facts import find_facts
from busproc.files import atomic_files
from busproc.routes import MIX_BUS
from busproc.routing import GraphPlan, plan_graph, record_graph, start_graph
from busproc.run import stream
from busproc.scratch import Scratch
from busproc.session import plain_name
from busproc.song import Song, load_session
from busproc.stages.limiter import Limiter

Progress = Callable[[str, float], None]
"""Called with what is being done, and how much of it is (0 to 1)."""


@dataclass(frozen=True)
class Rendered:
    """What a render wrote, and its decision log."""

    files: tuple[Path, ...]
    log: Path
    words: Path
    decisions: dict[str, Any]


def _no_progress(what: str, done: float) -> None:
    pass


def render(
    session: Song | Path | str,
    out_dir: Path | str,
    *,
    overwrite: bool = False,
    allow_outside: bool = False,
    from_s: float | None = None,
    to_s: float | None = None,
    block_frames: int = BLOCK_FRAMES,
    progress: Progress = _no_progress,
) -> Rendered:
    """Render a session: write its deliveries and its decision log.

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
    prints = [Print(item, song.session.song, song.rate_hz, passage) for item in song.session.deliver]
    folder = _folder(out_dir)
    name = plain_name(song.session.song) + part_name(passage)
    log, words = folder / f"{name}.decisions.json", folder / f"{name}.decisions.txt"
    finals = [*(folder / each.file_name for each in prints), log, words]
    with atomic_files(finals, overwrite=overwrite) as parts, Scratch((2,), folder) as spool:
        facts = find_facts(song, block_frames, lambda what: progress(what, 0.0))
        plan = plan_graph(song, facts)
        state = start_graph(plan)
        for block in stream(plan, state, block_frames):
            _refuse_not_finite(block, spool.frames, song.rate_hz)
            spool.append(block[:, 0])
            progress("rendering", spool.frames / song.frames)
        written = []
        for each, part in zip(prints, parts, strict=False):
            progress(f"writing {each.file_name}", 0.0)
            written.append(write_print(spool, each, part, _ceiling(plan)))
        span = {"from_s": passage[0], "to_s": passage[1]} if passage else None
        document = decisions.build(song, record_graph(plan, state), facts, written, span)
        parts[-2].write_text(decisions.to_json(document), encoding="utf-8")
        parts[-1].write_text(decisions.in_words(document), encoding="utf-8")
    _note_the_run(folder / f"{name}.run.json", started)
    return Rendered(tuple(finals[:-2]), log, words, document)


def _passage(song: Song, from_s: float | None, to_s: float | None) -> tuple[float, float] | None:
    if from_s is None and to_s is None:
        return None
    end = song.frames / song.rate_hz
    first, last = from_s or 0.0, end if to_s is None else to_s
    if not 0 <= first < last or first >= end:
        raise InputError(f"no passage from {first:g} s to {last:g} s: the song runs from 0 to {end:.3f} s")
    return first, min(last, end)


def _folder(out_dir: Path | str) -> Path:
    folder = Path(out_dir)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{folder} cannot be made a folder for the results: {error.strerror}") from None
    return folder


def _ceiling(plan: GraphPlan) -> float | None:
    """Ceiling of the limiter that ends the mix bus, whether or not it was needed there."""
    last = plan.bus(MIX_BUS).bus.chain.stages[-1:]
    return last[0].ceiling_dbtp if last and isinstance(last[0], Limiter) else None


def _refuse_not_finite(block: Any, at_frame: int, rate_hz: int) -> None:
    bad = np.flatnonzero(~np.isfinite(block[:, 0]).all(axis=-1))
    if len(bad):
        raise RenderError(
            f"the mix is not a finite number at {(at_frame + bad[0]) / rate_hz:.3f} s; please report this "
            "with the session"
        )


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
