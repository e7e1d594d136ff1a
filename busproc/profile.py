"""Where a render spends its time: CPU time by the part of the work it went into.

A timer of the operating system interrupts every millisecond of CPU time. What has passed since the last
time is booked to the innermost part of the call stack that has a name here. Nothing else in the project
knows that it is watched, and a watched render writes the same bytes.
"""

from __future__ import annotations

import signal
import time
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType

from busproc.errors import InputError
from busproc.stages.base import Stage

EVERY_S = 0.001
OTHER = "other"
PACKAGE = Path(__file__).parent
PARTS = {
    "song.py": "reading and checking the session",
    "sources.py": "reading stems",
    "files/reader.py": "reading stems",
    "measure/highest.py": "checking peaks between samples",
    "measure": "meters and spectra",
    "stages/observe.py": "meters and spectra",
    "stages/limiting.py": "limiting the whole song beforehand",
    "mixing.py": "summing buses",
    "run.py": "summing buses",
    "scratch.py": "keeping sound on disk",
    "delivery": "writing files",
    "files": "writing files",
    "decisions.py": "writing the log",
}
"""What the work of a file, or of those in a folder, is called; the longest name that fits counts."""


class Profile:
    """Seconds of CPU time by part."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = defaultdict(float)
        self._last = time.process_time()

    def book(self, frame: FrameType | None) -> None:
        """Give what has passed since the last call to the part at work."""
        now = time.process_time()
        self.seconds[part_of(frame)] += now - self._last
        self._last = now

    def table(self, song_s: float) -> str:
        """Parts by their share, the largest first, and how many times faster than the song it all was."""
        total = sum(self.seconds.values())
        rows = sorted(self.seconds.items(), key=lambda item: -item[1])
        lines = [f"{seconds / total:6.1%} {seconds:8.2f} s  {part}" for part, seconds in rows]
        return "\n".join(
            [*lines, f"100.0% {total:8.2f} s  of one core, {song_s / total:.1f} times real time"]
        )


def part_of(frame: FrameType | None) -> str:
    """Name of the innermost part in a call stack."""
    while frame is not None:
        file = Path(frame.f_code.co_filename)
        if file.is_relative_to(PACKAGE):
            stage = frame.f_locals.get("self") if frame.f_code.co_name == "process" else None
            if isinstance(stage, Stage):
                return f"stage {stage.tag}"
            name = file.relative_to(PACKAGE).as_posix()
            fitting = [each for each in PARTS if name == each or name.startswith(f"{each}/")]
            if fitting:
                return PARTS[max(fitting, key=len)]
        frame = frame.f_back
    return OTHER


@contextmanager
def profiled() -> Iterator[Profile]:
    """Watch what is done inside, in the main thread.

    Raises
    ------
    InputError
        Where the system has no such timer (Windows).
    """
    if not hasattr(signal, "setitimer"):
        raise InputError("this system has no timer of CPU time; leave the profile out")
    profile = Profile()
    before = signal.signal(signal.SIGPROF, lambda _, frame: profile.book(frame))
    signal.setitimer(signal.ITIMER_PROF, EVERY_S, EVERY_S)
    try:
        yield profile
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)
        profile.book(None)
