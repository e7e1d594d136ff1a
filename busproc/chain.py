"""Chain files: stages in order, itself used like a stage."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import Field

from busproc.errors import InputError
from busproc.jsonfile import load_settings
from busproc.settings import Settings, named_files
from busproc.stages import AnyStage
from busproc.stages.base import Audio, Key, Stage
from busproc.stages.context import Context
from busproc.stages.series import (
    Placed,
    SeriesPlan,
    SeriesState,
    plan_series,
    process_series,
    record_series,
    start_series,
)
from busproc.studies import study_stages

BLOCK_FRAMES = 4096
"""Frames a block where nobody asks for another size; no result depends on it."""


class Chain(Settings):
    """What a bus does: an ordered tuple of stages. `plan`, `start`, `process` work as a stage's do."""

    schema_: Annotated[str | None, Field(alias="$schema")] = None
    """Address of the JSON Schema, for editors; not read."""
    format: Literal["busproc-chain/1"] = "busproc-chain/1"
    """Kind and version of the file."""
    title: Annotated[str, Field(max_length=120)] = ""
    """A name for people."""
    purpose: Annotated[str, Field(max_length=600)] = ""
    """What the chain is for, in a sentence."""
    not_for: Annotated[str, Field(max_length=600)] = ""
    """When another chain does better, in a sentence."""
    listen_for: Annotated[str, Field(max_length=600)] = ""
    """What tells by ear whether it does its work, in a sentence."""
    stages: Annotated[tuple[AnyStage, ...], Field(max_length=64)] = ()
    """The stages, in the order in which sound passes them."""

    def placed(self) -> list[tuple[str, Stage]]:
        """Each stage with the step of the JSON path that leads to it."""
        return [(f"stages[{n}]", stage) for n, stage in enumerate(self.stages)]

    def key_inputs(self) -> Iterator[tuple[str, Key]]:
        """Key inputs of all stages, each with the JSON path that leads to it."""
        for step, stage in self.placed():
            for where, key in stage.key_inputs():
                yield f"{step}.{where}", key

    @property
    def files_folder(self) -> Path:
        """From where the files that it names are meant; the working folder, if it names none."""
        return next((file.folder for _, file in named_files(self)), Path())

    def changed(self, document: Mapping[str, Any], seen_from: Path | None = None) -> Chain:
        """The chain that a JSON object stands for; files that both name are the same ones.

        With `seen_from` names of files are put so that they hold from that folder.
        """
        folder = self.files_folder
        context = {"folder": folder, "seen_from": folder if seen_from is None else seen_from}
        text = json.dumps(document)
        return Chain.model_validate_json(text, strict=True, by_alias=True, by_name=False, context=context)

    def seen_from(self, folder: Path) -> Chain:
        """The same chain, the files that it names as they are named from a folder."""
        if all(file.folder == folder for _, file in named_files(self)):
            return self
        return self.changed(self.model_dump(mode="json", by_alias=True), folder)

    def plan(self, context: Context) -> SeriesPlan:
        """Derive everything that does not depend on sound."""
        return plan_series(self.placed(), context)

    def start(self, plan: SeriesPlan, lanes: int) -> SeriesState:
        """Make a fresh state."""
        return start_series(plan, lanes)

    def process(self, plan: SeriesPlan, state: SeriesState, lanes: Audio, keys: Mapping[str, Audio]) -> Audio:
        """Take one block of `lanes (frames, lanes, 2)` to the one that leaves, latency later."""
        return process_series(plan, state, lanes, keys)

    def record(self, plan: SeriesPlan, state: SeriesState) -> list[dict[str, Any]]:
        """Tell what each stage did."""
        return record_series(plan, state)


def load_chain(path: Path | str, folder: Path | None = None) -> Chain:
    """Read a chain file.

    Parameters
    ----------
    path
        The file.
    folder
        Where the files that it names are; its own folder, if none is given.

    Raises
    ------
    SettingsFileError
        With every fault of the file.
    """
    return load_settings(path, Chain, folder)


def process(
    chain: Chain | Stage,
    audio: Audio,
    rate_hz: int,
    *,
    keys: Mapping[str, Audio] | None = None,
    block_frames: int = BLOCK_FRAMES,
) -> Audio:
    """Run a chain, or one stage, over a whole piece of audio in memory.

    Parameters
    ----------
    chain
        What to run.
    audio
        `(frames, 2)`, or `(frames, lanes, 2)` with the bus in lane 0; full scale 1.0.
    rate_hz
        Frames a second.
    keys
        Sound for key inputs `(frames, 2)`, by the key's name (`kick:after_chain`).
    block_frames
        Size of the blocks; the result does not depend on it.

    Returns
    -------
    ndarray
        The same shape as `audio`, latency taken out.

    Examples
    --------
    >>> from busproc.stages.gain import Gain
    >>> process(Gain(gain_db=-6.0), np.ones((3, 2)), 48000)[0].round(3).tolist()
    [0.501, 0.501]
    """
    if not isinstance(chain, Chain | Stage):
        raise InputError(
            f"chain must be a Chain or a stage, not {chain!r}; load_chain and load_preset give one"
        )
    audio = np.asarray(audio)
    if audio.ndim not in {2, 3} or audio.shape[-1] != 2 or not len(audio) or audio.dtype.kind != "f":
        raise InputError(
            "audio must be floating point, full scale 1.0, (frames, 2) or (frames, lanes, 2), "
            f"not {audio.dtype} {audio.shape}"
        )
    chain = chain if isinstance(chain, Chain) else Chain(stages=(chain,))
    lanes = np.ascontiguousarray(audio, dtype=np.float64).reshape(len(audio), -1, 2)
    facts: dict[str, dict[str, Any]] = {}
    here = Context(rate_hz, facts=facts)

    def hear(stages: Placed) -> Iterator[Audio]:
        bus = np.ascontiguousarray(lanes[:, :1])
        return (
            block[:, 0].copy() for block in _run(plan_series(stages, here), bus, keys or {}, block_frames)
        )

    study_stages(chain.placed(), here, hear, lambda _: None)
    return np.concatenate(list(_run(chain.plan(here), lanes, keys or {}, block_frames)) or [lanes]).reshape(
        audio.shape
    )


def _run(plan: SeriesPlan, lanes: Audio, keys: Mapping[str, Audio], block_frames: int) -> Iterator[Audio]:
    """Feed stages a whole sound, and silence for their latency; give what leaves, latency taken out."""
    state = start_series(plan, lanes.shape[1], watched=False)
    late, total = plan.latency_frames, len(lanes) + plan.latency_frames
    lanes, keys = _padded(lanes, total), {name: _padded(sound, total) for name, sound in keys.items()}
    for at in range(0, total, block_frames):
        heard = {name: sound[at : at + block_frames] for name, sound in keys.items()}
        out = process_series(plan, state, lanes[at : at + block_frames], heard)[max(0, late - at) :]
        if len(out):
            yield out


def _padded(sound: Audio, frames: int) -> Audio:
    return np.concatenate([sound, np.zeros((frames - len(sound), *sound.shape[1:]))])
