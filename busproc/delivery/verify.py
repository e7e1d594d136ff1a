"""Checking a delivery: every file against the manifest, stems against the mix, the manifest against itself."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from busproc.delivery import manifest
from busproc.delivery.adding import find_residue, late_frames
from busproc.delivery.listed import Fault, Listed, SoundFile, Sum, load_listed, log_faults, own_faults
from busproc.delivery.prints import MIX
from busproc.delivery.writing import read_back
from busproc.errors import AudioFileError
from busproc.files import AudioInfo, inspect, sha256_file

ENCODINGS = {16: "pcm_16", 24: "pcm_24", 32: "pcm_32", "32_float": "float"}
COUNTS = ("frames", "rate_hz", "channels")
ROUNDING = 0.015
"""Measures stand in a manifest to 0.01; another version of the meter may round to the next step."""
CEILING_STEPS = 6
"""Steps by which a true peak may pass its ceiling: dither, rounding and sharing out move a sample by up to 2,
of which the meter's interpolator makes 2.7 times as many at most."""


@dataclass(frozen=True)
class Verified:
    """What a check of a delivery found, and how much it has checked.

    Attributes
    ----------
    faults
        In the order of the manifest, those of the manifest itself first.
    files, sums
        How many of the files were there, and how many sums could be added up.
    bytes
        Size of those files.
    """

    faults: tuple[Fault, ...]
    files: int
    sums: int
    bytes: int

    def in_words(self) -> str:
        """A line for every fault, and one that says how much was checked."""
        width = max((len(fault.file) for fault in self.faults), default=0)
        lines = [f"{fault.file:{width}}  {fault.what}" for fault in self.faults]
        checked = f"{_counted(self.files, 'file')}, {_counted(self.sums, 'sum')}, {_size(self.bytes)}"
        told = _counted(len(lines), "fault") if lines else "all good"
        return "\n".join([*lines, f"{checked}: {told}"])


def verify(folder: Path | str) -> Verified:
    """Check a delivery of `print_session`, wherever it has been since.

    Parameters
    ----------
    folder
        Where its manifest lies.

    Raises
    ------
    SettingsFileError
        There is no manifest, or it is not whole.
    """
    folder = Path(folder)
    listed = load_listed(folder)
    there = {name: folder / name for name in listed.sha256s if _is_within(folder, name)}
    sha256s = {name: sha256_file(path) for name, path in there.items()}
    faults = [*own_faults(listed), *log_faults(there, listed), *_name_faults(folder, listed, there)]
    faults += _byte_faults(listed.sha256s, sha256s)
    unread = set(listed.sha256s) - set(there)
    for file in listed.files:
        if file.file in there:
            try:
                faults += _sound_faults(file, there[file.file])
            except AudioFileError as error:
                unread.add(file.file)
                faults.append(Fault(file.file, str(error).removeprefix(f"{there[file.file]} ")))
    changed = {name for name, sha256 in sha256s.items() if sha256 != listed.sha256s[name]}
    whole = [each for each in listed.adds_up if not unread & {each.mix, *each.stems}]
    for each in listed.adds_up:
        faults += _sum_faults(folder, each, ...)
    ...


