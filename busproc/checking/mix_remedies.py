"""Remedies that move or mute a stem, each run up to the mix bus and measured there."""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from busproc.chain import BLOCK_FRAMES, Chain
from busproc.checking.findings import Trial
from busproc.checking.hearing import LoudnessOf, entering, with_stem
from busproc.facts import find_facts
from busproc.measure.faults.lateness import AT_ONCE_FRAMES, Start
from busproc.measure.spectrum import ThirdOctaves
from busproc.mixing import start_graph
from busproc.pages.markup import shown
from busproc.routing import plan_graph
from busproc.run import stream

if TYPE_CHECKING:
    from collections.abc import Mapping

    from busproc.progress import Progress
    from busproc.song import Song

CHANGES_DB = 0.1
"""Less change of the mix, in loudness and in every third octave, counts as none. Ours."""
LEAST_LU = 0.05
HEARD_DB = 30.0
"""Third octaves further under the loudest one do not count. Ours."""


class _Mix(NamedTuple):
    """Loudness of what reaches the mix bus, and its third octaves by their middles."""

    lufs: float | None
    levels_db: Mapping[float, float | None]


class _Change(NamedTuple):
    """What a mix has gained in loudness, and in the third octaves that lost and won most, `(Hz, dB)`."""

    louder_lu: float
    least: tuple[float, float]
    most: tuple[float, float]

    @property
    def is_heard(self) -> bool:
        return max(map(abs, (self.louder_lu, self.least[1], self.most[1]))) >= CHANGES_DB

    def in_words(self) -> str:
        bands = (f"{shown(db, 1, signed=True)} dB at {hz:.0f} Hz" for hz, db in (self.least, self.most))
        louder = f"becomes {shown(abs(self.louder_lu))} LU {'louder' if self.louder_lu > 0 else 'softer'}"
        whole = louder if abs(self.louder_lu) >= LEAST_LU else "stays as loud"
        return f"the mix {whole}, by third octave {' to '.join(bands)}"


class MixTryout:
    """A song up to the entrance of its mix bus, for changes to be tried on: all buses decide anew."""

    def __init__(self, song: Song, progress: Progress) -> None:
        self._song, self._progress = song, progress

    def moved(self, name: str, late_ms: float) -> Trial:
        """Bring a stem back that starts late; it works if it then sounds from the first frame on."""
        stem = self._song.files[name].stem
        align = stem.align.model_copy(update={"delay_ms": round(stem.align.delay_ms - late_ms, 6)})
        song = with_stem(self._song, stem.model_copy(update={"align": align}))
        frames = _silent_frames(song, name)
        return Trial(
            what=f"{name} {late_ms:.3f} ms earlier",
            measure="silence before it",
            unit="ms",
            before=_ms(_silent_frames(self._song, name), song.rate_hz),
            after=_ms(frames, song.rate_hz),
            price=_changed(self._before, self._mix(song)).in_words(),
            works=frames is not None and frames <= AT_ONCE_FRAMES,
            suggestion={"stem": name, "align": align.model_dump(mode="json", exclude_defaults=True)},
        )

    def muted(self, name: str) -> Trial:
        """Leave out a stem that is another one once more; it works if that changes the mix at all."""
        stem = self._song.files[name].stem
        after = self._mix(with_stem(self._song, stem.model_copy(update={"mute": True})))
        change = _changed(self._before, after)
        return Trial(
            what=f"{name} muted",
            measure="loudness of the mix",
            unit="LUFS",
            before=self._before.lufs,
            after=after.lufs,
            price=change.in_words(),
            works=change.is_heard,
            suggestion={"stem": name, "mute": True},
        )

    @cached_property
    def _before(self) -> _Mix:
        return self._mix(self._song)

    def _mix(self, song: Song) -> _Mix:
        bare = song.with_mix_bus(Chain())
        facts = find_facts(bare, BLOCK_FRAMES, lambda what: self._progress(what, 0.0))
        plan = plan_graph(bare, facts, stages=[])
        loudness, spectrum = LoudnessOf(song.rate_hz), ThirdOctaves(song.rate_hz)
        for block in stream(plan, start_graph(plan, watched=False), BLOCK_FRAMES):
            self._progress("hearing the mix with a change", 0.0)
            mix = np.ascontiguousarray(block[:, 0])
            loudness.feed(mix)
            spectrum.feed(mix)
        return _Mix(loudness.lufs, dict(zip(spectrum.midbands_hz, spectrum.levels_db(), strict=True)))


def _silent_frames(song: Song, name: str) -> int | None:
    start = Start(song.rate_hz)
    for block in entering(song, name):
        start.feed(block)
        if start.silent_frames is not None:
            break
    return start.silent_frames


def _ms(frames: int | None, rate_hz: int) -> float | None:
    return None if frames is None else 1000 * frames / rate_hz


def _changed(before: _Mix, after: _Mix) -> _Change:
    """Nothing where either mix is silent."""
    known = {hz: db for hz, db in before.levels_db.items() if db is not None}
    loudest = max(known.values(), default=0.0)
    gains = {
        hz: later - db
        for hz, db in known.items()
        if db >= loudest - HEARD_DB and (later := after.levels_db[hz]) is not None
    }
    least, most = (
        pick(gains.items(), key=lambda each: each[1], default=(1000.0, 0.0)) for pick in (min, max)
    )
    louder = 0.0 if before.lufs is None or after.lufs is None else after.lufs - before.lufs
    return _Change(louder, least, most)
