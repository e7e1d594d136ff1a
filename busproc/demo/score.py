"""A song as notes, and the text it is read from.

A line of music is text: bars stand between ``|``, a note is ``A4:3`` (pitch and length in eighths; the length
holds until another is given, and starts at 1), ``-`` is a rest, ``+`` joins the notes of a chord, ``'`` asks
for a breath after the note. Drum lines are tablature: twelve sixteenths a bar, a capital is an accent.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

BAR_EIGHTHS = 6
LEAD_IN_S = 0.25
_STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}


class Note(NamedTuple):
    """One note: where and how long, in eighths from the first bar; MIDI key number; a breath after it."""

    at: float
    length: float
    key: int
    breath: bool = False


class Stroke(NamedTuple):
    """One stroke of a drum line: where, in eighths from the first bar; its letter; an accent or not."""

    at: float
    letter: str
    accent: bool


@dataclass(frozen=True)
class Score:
    """A song as notes. Bars count from 1, places are eighths from the first bar."""

    title: str
    seed: int
    """Of the first player's random numbers; the others take the numbers that follow."""
    tempo_bpm: float
    """Dotted crotchets a minute, two a bar."""
    song_s: float
    """Length of every stem."""
    sections: tuple[tuple[str, int], ...]
    """Name and first bar of each section of the form; the last is the last chord."""
    slowing: tuple[int, int, float]
    """The bars in which it slows down evenly: the first, the one after the last; and how slow it is then."""
    intensity: Mapping[int, float]
    """How loud the group plays, 0 to 1, by bar; straight lines between."""
    vowel: Mapping[int, float]
    """What the choir sings, 0 is "oo", 1 is "ah", by bar; straight lines between."""
    notes: Mapping[str, Sequence[Note]]
    """Lines of those who play notes; who has none is silent."""
    strokes: Mapping[str, Sequence[Stroke]]
    """Lines of those who only beat time."""

    def seconds(self, at: float) -> float:
        """Time of a place in the score, in seconds: steady, slowing down evenly, then as slow as that."""
        first, last, slowest = self.slowing
        start, span = bar_start(first), bar_start(last) - bar_start(first)
        slowed = min(max(at - start, 0.0), span)
        lost = (slowest - 1.0) * slowed * slowed / (2.0 * span)
        after = max(at - bar_start(last), 0.0) * (slowest - 1.0)
        return LEAD_IN_S + 60.0 / self.tempo_bpm / 3 * (at + lost + after)

    def section_starts(self) -> list[tuple[str, float]]:
        """Name and start in seconds of each section of the form."""
        return [(name, self.seconds(bar_start(bar))) for name, bar in self.sections]

    def by_time(self, by_bar: Mapping[int, float]) -> tuple[list[float], list[float]]:
        """Points by bar as times in seconds, and their values."""
        return [self.seconds(bar_start(bar)) for bar in by_bar], list(by_bar.values())


def bar_start(bar: int) -> float:
    """Place of a bar's first eighth; bars count from 1."""
    return float((bar - 1) * BAR_EIGHTHS)


def key_number(name: str) -> int:
    """MIDI key number of a pitch name such as ``F#4`` or ``Bb2``; A4 is 69."""
    step, alteration, octave = name[0], name[1:-1], int(name[-1])
    return 12 * (octave + 1) + _STEPS[step] + {"": 0, "#": 1, "b": -1}[alteration]


def read_line(first_bar: int, text: str) -> list[Note]:
    """Read a line of music that starts at a bar, in the notation told at the top of the module."""
    notes = []
    at, length = bar_start(first_bar), 1.0
    for token in text.replace("|", " ").split():
        names, _, written = token.rstrip("'").partition(":")
        length = float(written) if written else length
        if names != "-":
            notes += [Note(at, length, key_number(name), token.endswith("'")) for name in names.split("+")]
        at += length
    return notes


def read_strokes(first_bar: int, text: str) -> list[Stroke]:
    """Read a drum line that starts at a bar: a letter a sixteenth, capitals accented, a dot for none."""
    letters = enumerate("".join(text.split()))
    start = bar_start(first_bar)
    return [Stroke(start + n / 2, letter.lower(), letter.isupper()) for n, letter in letters if letter != "."]


def break_chords(first_bar: int, chords: str, pattern: tuple[int, ...]) -> list[Note]:
    """Break chords: each bar's (or half bar's) five tones, low to high, in the order of a pattern."""
    notes = []
    step = BAR_EIGHTHS / len(pattern)
    for bar, written in enumerate(chords.split("|"), start=first_bar):
        halves = [half.split() for half in written.split("/")]
        for n, tone in enumerate(pattern):
            names = halves[n * len(halves) // len(pattern)]
            notes.append(Note(bar_start(bar) + n * step, step, key_number(names[tone])))
    return notes


ROCKING = (0, 1, 2, 3, 2, 1)
RIPPLING = (0, 1, 2, 3, 1, 2, 4, 2, 3, 1, 2, 3)
"""Patterns for `break_chords`."""
