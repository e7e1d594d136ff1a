"""Sounds that wait in files between the steps of a shootout, so that any worker may go on with them."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from busproc.files import AudioReader, atomic_files, open_writer
from busproc.scratch import BLOCK_FRAMES, Scratch
from busproc.stages.base import Audio
from busproc.through import Entrance


@dataclass(frozen=True)
class KeptEntrance:
    """What reaches a stage, in files: the sound, and those that keys listen to."""

    rate_hz: int
    sound: Path
    frames: int
    late_frames: int
    keys: dict[str, Path]
    keys_late_frames: int
    rings_out: bool

    def opened(self) -> Entrance:
        """The same, to be heard."""
        return Entrance(
            self.rate_hz,
            Scratch((2,), saved=self.sound),
            self.frames,
            self.late_frames,
            {name: Scratch((2,), saved=path) for name, path in self.keys.items()},
            self.keys_late_frames,
            rings_out=self.rings_out,
        )


def keep_entrance(entrance: Entrance, path: Path) -> KeptEntrance:
    """Put what reaches the mix bus in files, all of them or none."""
    keys = {name: path.with_name(f"{path.name}.key{n}") for n, name in enumerate(entrance.keys)}
    with atomic_files([*keys.values(), path], overwrite=True) as (*key_parts, part):
        entrance.sound.save(part)
        for sound, key_part in zip(entrance.keys.values(), key_parts, strict=True):
            sound.save(key_part)
    return KeptEntrance(
        entrance.rate_hz,
        path,
        entrance.frames,
        entrance.late_frames,
        keys,
        entrance.keys_late_frames,
        entrance.rings_out,
    )


def keep_further(entrance: Entrance, before: KeptEntrance, path: Path) -> KeptEntrance:
    """Put what has gone some stages further in a file; what keys listen to is kept already."""
    with atomic_files([path], overwrite=True) as (part,):
        entrance.sound.save(part)
    return replace(before, sound=path, frames=entrance.frames, late_frames=entrance.late_frames)


def write_passages(left: Entrance, passages: dict[Path, tuple[int, int]]) -> None:
    """Cut passages out of a song, first frame and the one after the last, into 32-bit float WAV files."""
    paths = list(passages)
    with atomic_files(paths, overwrite=True) as parts:
        for path, part in zip(paths, parts, strict=True):
            first, last = passages[path]
            with open_writer(part, "wav", "32_float", left.rate_hz, 2, last - first) as writer:
                for at in range(first, last, BLOCK_FRAMES):
                    block = left.sound.read(left.late_frames + at, min(BLOCK_FRAMES, last - at))
                    writer.write(np.ascontiguousarray(block))


def together(*files: Path) -> Iterator[tuple[Audio, ...]]:
    """Blocks of sounds of one length, in step."""
    with ExitStack() as stack:
        readers = [stack.enter_context(AudioReader(file)) for file in files]
        while len((blocks := tuple(reader.read(BLOCK_FRAMES) for reader in readers))[0]):
            yield blocks
