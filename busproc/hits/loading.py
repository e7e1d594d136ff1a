"""What a reinforced stem names: hit file and samples, read, checked and placed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from busproc.errors import AudioFileError, SettingsFileError
from busproc.files import AudioReader, sha256_file
from busproc.hits.placing import place_strokes
from busproc.hits.playing import Played
from busproc.hits.settings import HitList
from busproc.jsonfile import load_settings

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from numpy.typing import NDArray

    from busproc.files import AudioInfo
    from busproc.hits.reinforcing import Reinforce

    Audio = NDArray[np.float64]

LONGEST_S = 30.0
"""Samples are held in memory."""


class FaultsError(Exception):
    """Every fault of what a reinforced stem names, each with the key that names it."""

    def __init__(self, faults: list[tuple[str, str]]) -> None:
        super().__init__(faults)
        self.faults = faults


def load_played(settings: Reinforce, recording: AudioInfo, find: Callable[[str, str], Path | None]) -> Played:
    """Read hits and samples, and place them.

    Parameters
    ----------
    settings
        What the session says.
    recording
        The stem's file.
    find
        Where a file lies, by the key that names it and its name; it tells faults of its own, and then None.

    Raises
    ------
    FaultsError
        For what cannot be read, hits after the recording's end, samples that are silent or too long.
    """
    faults: list[tuple[str, str]] = []
    inputs = []
    hits = None
    if (path := find("hits", settings.hits)) is not None:
        inputs.append((settings.hits, path))
        hits = _hits(path, recording, faults)
    samples = []
    for n, each in enumerate(settings.samples):
        if (path := find(f"samples[{n}].file", each.file)) is not None:
            inputs.append((each.file, path))
            try:
                samples.append(_sample(path, recording.rate_hz))
            except AudioFileError as error:
                faults.append((f"samples[{n}].file", str(error)))
    if faults or hits is None or len(samples) < len(settings.samples):
        raise FaultsError(faults)
    channels = max(sample.shape[1] for sample in samples)
    samples = [np.repeat(s, channels // s.shape[1], axis=1) for s in samples]
    with AudioReader(recording.path) as reader:
        strokes = place_strokes(reader, hits, settings, samples)
    files = tuple((name, path, sha256_file(path)) for name, path in dict(inputs).items())
    return Played(tuple(samples), strokes, files, len(hits.hits) - len(strokes), hits.file)


def _hits(path: Path, recording: AudioInfo, faults: list[tuple[str, str]]) -> HitList | None:
    try:
        hits = load_settings(path, HitList)
    except SettingsFileError as error:
        faults += [("hits", f"{path.name}: {fault}") for fault in error.faults]
        return None
    if not hits.hits:
        faults.append(("hits", f"{path.name}: holds no hits; add those that are to be reinforced"))
    length_s = recording.frames / recording.rate_hz
    late = [f"hits[{n}]" for n, hit in enumerate(hits.hits) if hit.at_s >= length_s]
    if late:
        what = f"{', '.join(late)}: at_s is after the end of the recording ({length_s:.3f} s)"
        faults.append(("hits", f"{path.name}: {what}; is it the hit file of another one?"))
    return hits


def _sample(path: Path, rate_hz: int) -> Audio:
    with AudioReader(path) as reader:
        info = reader.info
        if info.frames > LONGEST_S * info.rate_hz:
            raise AudioFileError(
                f"{path} lasts {info.frames / info.rate_hz:.1f} s; a sample may last {LONGEST_S:g} s: cut it"
            )
        sound = reader.read(info.frames)
    if not sound.any():
        raise AudioFileError(f"{path} holds nothing but silence; a sample must sound")
    if info.rate_hz != rate_hz:
        import soxr

        sound = soxr.resample(sound, info.rate_hz, rate_hz, quality="VHQ")
    return np.ascontiguousarray(sound)
