"""Faults in words, and their figures."""

from __future__ import annotations

from dataclasses import fields
from typing import TYPE_CHECKING, Any, Literal, get_args

from busproc.measure.faults.channels import OneSound, Silence
from busproc.measure.faults.clicks import Clicks
from busproc.measure.faults.clipping import Clipping
from busproc.measure.faults.cutoff import Cutoff
from busproc.measure.faults.dc import Constant
from busproc.measure.faults.hum import Hum
from busproc.measure.faults.sides import Inverted, LowEnd
from busproc.pages.markup import shown

if TYPE_CHECKING:
    from busproc.measure.faults.doubles import Double
    from busproc.measure.faults.finding import Finding
    from busproc.measure.faults.lateness import Late

FaultKind = Literal[
    "silence", "dc", "clipping", "clicks", "hum", "cutoff", "one_sound", "inverted", "low_end"
]
KINDS = get_args(FaultKind)
LOSSY = ("ogg", "mp3")
"""Kinds of file that are coded with losses: that their spectrum ends says nothing of an earlier rate."""
MOST_MS = 50.0
MOST_TIMES = 8
_SIDES = ("left", "right")
_COMMON = {"found", "confidence", "where"}


def in_words(name: str, found: Finding, container: str) -> str:
    """A fault of a stem, in sentences; `container` is that of its file."""
    if isinstance(found, Cutoff):
        return _cutoff(name, found, container)
    told: str = _WORDS[type(found)](name, found)
    return told


def figures_of(found: Finding) -> dict[str, Any]:
    """The measures of a fault by their names."""
    return {each.name: getattr(found, each.name) for each in fields(found) if each.name not in _COMMON}


def bands_of(found: Finding) -> tuple[float, ...]:
    """Middles of the bands in which a fault lies; none where it lies in all."""
    if isinstance(found, Hum) and found.freq_hz is not None:
        return tuple(found.freq_hz * k for k in found.harmonics)
    if isinstance(found, Cutoff) and found.freq_hz is not None:
        return (found.freq_hz,)
    if isinstance(found, LowEnd):
        lost = zip(found.freqs_hz, found.mono_loss_db, strict=True)
        return tuple(hz for hz, loss in lost if loss is not None and loss > LOST_DB)
    return ()


LOST_DB = 3.0
"""Sides without anything in common lose that much."""


def late_in_words(name: str, found: Late, late_ms: float) -> str:
    """A late start, in sentences."""
    return (
        f"{name} begins in the midst of sound after {found.silent_frames} frames of silence "
        f"({shown(late_ms, 2)} ms), the length of a buffer, while {found.others_at_once} other stems sound "
        "from the first frame: it starts late."
    )


def double_in_words(found: Double) -> str:
    """Two stems that are one, in sentences."""
    gain = f"{shown(found.gain_db, 1, signed=True)} dB" if found.gain_db is not None else "nothing"
    late = f", {shown(abs(found.delay_ms), 2)} ms {'later' if found.delay_ms > 0 else 'earlier'}"
    return (
        f"{found.second} is {found.first} once more: {gain}{late if abs(found.delay_ms) >= 0.05 else ''}"
        f"{', upside down' if found.is_inverted else ''} (correlation {found.correlation:.3f})."
    )


def _silence(name: str, found: Silence) -> str:
    if found.is_whole:
        return f"{name} is silent from its start to its end."
    return f"The {_SIDES[found.channels[0]]} channel of {name} is silent."


def _constant(name: str, found: Constant) -> str:
    offsets = " and ".join(f"{offset:+.4f}" for offset in found.offsets)
    return f"{name} holds a constant (DC) of {offsets}, {shown(found.largest_dbfs)} dBFS, under its sound."


def _clipping(name: str, found: Clipping) -> str:
    return (
        f"{name} is clipped at {shown(found.level_dbfs)} dBFS: {found.runs} flat tops, the longest "
        f"{found.longest_frames} frames. Take it from before that, or record it again."
    )


def _clicks(name: str, found: Clicks) -> str:
    times = ", ".join(f"{time:.3f}" for time in found.times_s[:MOST_TIMES])
    more = f" and {len(found.times_s) - MOST_TIMES} more" if len(found.times_s) > MOST_TIMES else ""
    return f"{name} clicks at {times}{more} s of its file."


def _hum(name: str, found: Hum) -> str:
    harmonics = ", ".join(map(str, found.harmonics))
    return (
        f"{name} hums: {shown(found.freq_hz, 2)} Hz with harmonics {harmonics}, {shown(found.level_dbfs)} "
        f"dBFS, {shown(found.under_loud_db)} dB under its loud moments."
    )


def _cutoff(name: str, found: Cutoff, container: str) -> str:
    at, drop = shown(found.freq_hz, 0), shown(found.drop_db, 0)
    ends = f"The spectrum of {name} ends at {at} Hz, by {drop} dB at once"
    if container in LOSSY:
        return f"{ends}: its file is coded with losses ({container.upper()}). Use what it was coded from."
    if found.rate_hz:
        return f"{ends}, as if it had been at {found.rate_hz} Hz before."
    return f"{ends}, as a coder with losses or a steep filter leaves it."


def _one_sound(name: str, found: OneSound) -> str:
    how = (
        "alike to the last bit"
        if found.is_identical
        else f"alike within {shown(found.difference_db, 0)} dB, the right one "
        f"{shown(found.right_to_left_db, 1, signed=True)} dB"
    )
    return f"{name} is stereo that holds one sound: its channels are {how}. A file of one channel would do."


def _inverted(name: str, found: Inverted) -> str:
    return (
        f"One channel of {name} is upside down (correlation {shown(found.correlation, 2)}): it vanishes in "
        "mono. Turn one channel over in its file."
    )


def _low_end(name: str, found: LowEnd) -> str:
    lost = [
        f"{shown(loss)} dB at {hz:.0f} Hz"
        for hz, loss in zip(found.freqs_hz, found.mono_loss_db, strict=True)
        if loss is not None and loss > LOST_DB
    ]
    return f"The low end of {name} is out of phase between its sides: in mono it loses {', '.join(lost)}."


_WORDS: dict[type, Any] = {
    Silence: _silence,
    Constant: _constant,
    Clipping: _clipping,
    Clicks: _clicks,
    Hum: _hum,
    OneSound: _one_sound,
    Inverted: _inverted,
    LowEnd: _low_end,
}
