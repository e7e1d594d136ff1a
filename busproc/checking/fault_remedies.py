"""Remedies for a constant, hum and a low end out of phase, each run on the file and measured again."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from busproc.chain import Chain
from busproc.checking.findings import Trial
from busproc.checking.hearing import file_blocks
from busproc.measure.faults.dc import Constant, Constants
from busproc.measure.faults.hum import Hum, HumSearch
from busproc.measure.faults.sides import LowEnd, Sides
from busproc.stages.context import Context
from busproc.stages.eq import Eq
from busproc.stages.eq_bands import Notch, Pass

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from busproc.measure.faults.finding import Finding
    from busproc.progress import Progress
    from busproc.song import Song
    from busproc.stages.base import Stage

DC_HZ, SIDE_HZ = 10.0, 180.0
"""The high-pass on the side is 12 dB down in the highest band of the low end."""
NOTCH_Q, MOST_NOTCHES = 20.0, 16


class _Remedy(NamedTuple):
    stage: Stage
    what: str
    measure: str
    unit: str


def tried_on(song: Song, name: str, found: Finding, progress: Progress) -> list[Trial]:
    """Try what there is for a fault; nothing for most, which are to be mended in the stem itself."""
    remedy = _remedy_for(name, found)
    if remedy is None:
        return []
    progress(f"trying {remedy.what}", 0.0)
    after = _searched(song, name, remedy.stage, found)
    return [
        Trial(
            what=remedy.what,
            measure=remedy.measure,
            unit=remedy.unit,
            before=_level_of(found),
            after=_level_of(after),
            price="",
            works=not after.found,
            suggestion={"stem": name, "stage": _document(remedy.stage)},
        )
    ]


def _remedy_for(name: str, found: Finding) -> _Remedy | None:
    if isinstance(found, Constant):
        high_pass = Eq(stage="eq", bands=(Pass(shape="high_pass", freq_hz=DC_HZ),))
        return _Remedy(high_pass, f"high-pass at {DC_HZ:g} Hz in {name}", "constant", "dBFS")
    if isinstance(found, Hum) and found.freq_hz is not None:
        lines = [found.freq_hz * k for k in found.harmonics[:MOST_NOTCHES]]
        notches = Eq(
            stage="eq",
            bands=tuple(Notch(shape="notch", freq_hz=round(hz, 1), q=NOTCH_Q) for hz in lines),
        )
        return _Remedy(notches, f"{len(lines)} notches in {name}", "hum", "dBFS")
    if isinstance(found, LowEnd):
        mono = Eq(
            stage="eq", bands=(Pass(shape="high_pass", freq_hz=SIDE_HZ, slope_db_per_octave=24, on="side"),)
        )
        return _Remedy(mono, f"high-pass at {SIDE_HZ:g} Hz on the side of {name}", "most lost in mono", "dB")
    return None


def _searched(song: Song, name: str, stage: Stage, found: Finding) -> Finding:
    """Search the file behind a stage for the same fault."""
    info = song.files[name].info
    if isinstance(found, LowEnd):
        sides = Sides(info.rate_hz)
        for block in _behind(song, name, stage):
            sides.feed(block)
        return sides.low_end()
    search = (Constants if isinstance(found, Constant) else HumSearch)(info.rate_hz, info.channels)
    for block in _behind(song, name, stage):
        search.feed(block)
    return search.finding()


def _behind(song: Song, name: str, stage: Stage) -> Iterator[NDArray[np.float64]]:
    """What leaves the stage, with as many channels as the file has."""
    info, chain = song.files[name].info, Chain(stages=(stage,))
    plan = chain.plan(Context(info.rate_hz, name, {}))
    state = chain.start(plan, 1)
    for block in file_blocks(song, name):
        both = np.repeat(block, 2, axis=1) if info.channels == 1 else block
        made = chain.process(plan, state, np.ascontiguousarray(both[:, None]), {})
        yield np.ascontiguousarray(made[:, 0, : info.channels])


def _level_of(found: Finding) -> float | None:
    if isinstance(found, Constant):
        return found.largest_dbfs
    if isinstance(found, LowEnd):
        return max((loss for loss in found.mono_loss_db if loss is not None), default=None)
    return found.level_dbfs if isinstance(found, Hum) and found.found else None


def _document(stage: Stage) -> dict[str, object]:
    return stage.model_dump(mode="json", exclude_unset=True)
