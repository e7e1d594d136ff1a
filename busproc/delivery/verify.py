"""Checking a delivery: files against the manifest, stems against the mix, the manifest against itself."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from busproc.delivery import manifest
from busproc.delivery.adding import find_residue, late_frames
from busproc.delivery.listed import Fault, SoundFile, Sum, load_listed, log_faults, own_faults
from busproc.delivery.writing import read_back
from busproc.errors import AudioFileError
from busproc.files import AudioInfo, inspect, sha256_file

ENCODINGS = {16: "pcm_16", 24: "pcm_24", 32: "pcm_32", "32_float": "float"}
ROUNDING = 0.015
"""Measures stand in a manifest to 0.01; another version of the meter may round to the next step."""
CEILING_SLACK_DB = 0.03
"""Dither, rounding and sharing out move a sample by up to 2 steps, of which the meter's interpolator makes at
most 2.7 times as many: 0.023 dB at the lowest ceiling (-24 dBTP) in 16 bits; the rest is rounding to 0.01."""

Measured = Mapping[str, float | None]


@dataclass(frozen=True)
class Verified:
    """What a check of a delivery found, and how much it has checked.

    Attributes
    ----------
    faults
        In the order of the manifest; those of the manifest itself first, of files it does not list last.
    files, sums
        How many files could be read, and how many sums be added up.
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
    check = _Check(Path(folder))
    check.look()
    check.compare_names()
    check.compare_bytes()
    check.listen()
    check.add_up()
    return check.result()


class _Check:
    """A check of a delivery, step by step; each adds its faults."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.listed = load_listed(folder)
        self.faults = list(own_faults(self.listed))
        self.sha256s: dict[str, str] = {}
        self.missing: dict[str, str] = {}
        self.moved: set[str] = set()
        self.whole: set[str] = set()
        self.sums = 0

    def tell(self, file: str, what: str) -> None:
        self.faults.append(Fault(file, what))

    def look(self) -> None:
        """See which of the files are there, and read them as they are."""
        for name, sha256 in self.listed.sha256s.items():
            path = self.folder / name
            if not path.resolve().is_relative_to(self.folder.resolve()):
                self.tell(name, "leads out of the delivery")
            elif not path.is_file():
                self.missing[sha256] = name
                self.tell(name, "is missing")
            else:
                self._take(name, path)
        self.faults += log_faults(self.folder, self.listed, self.sha256s)

    def _take(self, name: str, path: Path) -> None:
        try:
            self.sha256s[name] = sha256_file(path)
        except OSError as error:
            self.tell(name, f"cannot be read: {error.strerror}")

    def compare_names(self) -> None:
        """Find files that are not listed, and names that are one on many file systems."""
        known = {manifest.NAME, *self.listed.sha256s}
        found = {
            path.relative_to(self.folder).as_posix() for path in self.folder.rglob("*") if not path.is_dir()
        }
        for name in sorted(found - known):
            self.tell(name, self._why_there(name))
        spelled: dict[str, str] = {}
        for name in sorted(known | found):
            other = spelled.setdefault(name.casefold(), name)
            if other != name:
                self.tell(name, f"differs from {other} only in upper and lower case")

    def _why_there(self, name: str) -> str:
        last = name.rpartition("/")[2]
        if last.startswith(".") and last.endswith(".part"):
            return "is left of a run that was broken off; delete it"
        path = self.folder / name
        lost = self.missing.get(sha256_file(path)) if self.missing and path.is_file() else None
        return f"is what the manifest lists as {lost}" if lost else "is not in the manifest"

    def compare_bytes(self) -> None:
        """Hold every file's SHA-256 against the manifest's, and say where a file has its bytes from."""
        names = {sha256: name for name, sha256 in self.listed.sha256s.items()}
        for name in self._changed():
            other = names.get(self.sha256s[name])
            if other:
                self.moved.add(name)
            self.tell(name, f"holds what the manifest lists as {other}" if other else "has another SHA-256")

    def _changed(self) -> list[str]:
        return [name for name, sha256 in self.sha256s.items() if sha256 != self.listed.sha256s[name]]

    def listen(self) -> None:
        """Read every sound file to its end and measure it again."""
        for file in self.listed.files:
            if file.file not in self.sha256s:
                continue
            path = self.folder / file.file
            try:
                info, measured = inspect(path), read_back(path)
            except AudioFileError as error:
                self.tell(file.file, str(error).removeprefix(f"{path} "))
                continue
            self.whole.add(file.file)
            if file.file not in self.moved:
                self.faults += (Fault(file.file, what) for what in _sound_faults(file, info, measured))

    def add_up(self) -> None:
        """Hold every sum of stems against its mix."""
        for each in self.listed.adds_up:
            unread = sorted({each.mix, *each.stems} - self.whole)
            if unread:
                self.tell(each.mix, f"was not compared with {_stems(each)}, for want of {', '.join(unread)}")
                continue
            self.sums += 1
            self._add_up(each)

    def _add_up(self, each: Sum) -> None:
        mix, *stems = (self.folder / name for name in (each.mix, *each.stems))
        bits = next(file.bits for file in self.listed.files if file.file == each.mix)
        exactly = bits != "32_float"
        residue = find_residue(mix, stems, exactly=exactly)
        if residue is None:
            return
        first_s = residue.first_frame / inspect(mix).rate_hz
        apart = f"by up to {20 * math.log10(residue.peak):.1f} dBFS in {_counted(residue.frames, 'frame')}"
        hint = self._late(each) if exactly else ""
        self.tell(each.mix, f"is not the sum of {_stems(each)}: from {first_s:.6f} s on, {apart}{hint}")

    def _late(self, each: Sum) -> str:
        """Which stem came late, where it is the only file of a sum that has changed."""
        changed = [name for name in (each.mix, *each.stems) if name in self._changed()]
        if len(changed) != 1 or changed == [each.mix]:
            return ""
        others = [self.folder / name for name in each.stems if name not in changed]
        frames = late_frames(self.folder / changed[0], self.folder / each.mix, others)
        way = "late" if frames > 0 else "early"
        return f"; {changed[0]} comes {_counted(abs(frames), 'frame')} {way}" if frames else ""

    def result(self) -> Verified:
        """Everything that was found, file by file."""
        order = {name: n for n, name in enumerate([manifest.NAME, *self.listed.sha256s])}
        self.faults.sort(key=lambda fault: order.get(fault.file, len(order)))
        size = sum((self.folder / name).stat().st_size for name in self.sha256s)
        return Verified(tuple(self.faults), len(self.sha256s), self.sums, size)


def _sound_faults(file: SoundFile, info: AudioInfo, measured: Measured) -> Iterator[str]:
    """What a file is and what was measured again, against the manifest and the ceiling."""
    if info.encoding != ENCODINGS[file.bits]:
        yield f"holds {info.encoding} samples, listed with {file.bits} bits"
    peak, was = measured["true_peak_dbtp"], file.measured.get("true_peak_dbtp")
    if peak is None and was is not None:
        yield f"is silent, listed with {was} dBTP"
        return
    listed = file.measured | {"frames": file.frames, "rate_hz": file.rate_hz}
    told = [
        f"{key} is {measured[key]}, listed as {value}"
        for key, value in listed.items()
        if key in measured and _differ(measured[key], value)
    ]
    if told:
        yield "; ".join(told)
    ceiling = None if file.what == "stems" else file.ceiling_dbtp  # held by the mix and its versions
    if peak is not None and ceiling is not None and peak > ceiling + CEILING_SLACK_DB:
        yield f"passes the ceiling of {ceiling:g} dBTP with {peak:g} dBTP"


def _differ(one: float | None, other: float | None) -> bool:
    return one != other and (one is None or other is None or abs(one - other) > ROUNDING)


def _stems(each: Sum) -> str:
    """The stems of a sum, by number and folder."""
    folder = each.stems[0].rpartition("/")[0]
    return _counted(len(each.stems), "stem") + (f" in {folder}" if folder else "")


def _counted(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _size(size_bytes: int) -> str:
    return f"{size_bytes / 1e6:.0f} MB" if size_bytes > 1e7 else f"{size_bytes / 1e6:.1f} MB"
