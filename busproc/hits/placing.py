"""Where samples go: which one at each hit, how loud, and to a part of a frame when."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from busproc.hits.likeness import MARGIN_FRAMES, Likeness, Sign, likeness
from busproc.hits.strength import strength_dbfs

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from busproc.files import AudioReader
    from busproc.hits.reinforcing import Reinforce
    from busproc.hits.settings import Hit, HitList

    Audio = NDArray[np.float64]

ONSET_DB = -30.0
"""A sample begins where it first comes this near its peak. Ours, like all numbers here."""
SEARCH_MS = 2.0
COMPARED_MS, LEAST_COMPARED_MS = 60.0, 8.0
BEFORE_MS = 1.0
_READ_FRAMES = 1 << 15


@dataclass(frozen=True)
class Stroke:
    """One sample at one hit.

    Attributes
    ----------
    sample
        Which one.
    at_frame
        Where its first frame goes, in frames of the recording; parts of a frame count, to 0.001.
    gain
        What it is multiplied by; negative turns it over.
    shift_frames
        How far it was moved from where the onsets lie together; None where it was not.
    """

    sample: int
    at_frame: float
    gain: float
    shift_frames: float | None


def place_strokes(
    recording: AudioReader, hits: HitList, settings: Reinforce, samples: Sequence[Audio]
) -> tuple[Stroke, ...]:
    """Place a sample at each hit that is to be reinforced.

    A sample is as strong as its hit, by `strength_dbfs`, or as much less so as `follow` says. It is moved and
    turned over by what its beginning has in common with the recording; which way up is one for all its hits.

    Parameters
    ----------
    recording
        Just opened; it is read to its end.
    hits
        Its hits.
    settings
        What the session says.
    samples
        `(frames, channels)` at the recording's rate, none of them silent.

    Returns
    -------
    tuple of Stroke
        In the order of the hits.
    """
    rate_hz = recording.info.rate_hz
    chosen = list(_chosen(hits, settings))
    onsets = [onset_frame(sample) for sample in samples]
    alike: list[Likeness | None] = [None] * len(chosen)
    if settings.place == "in_phase":
        heads = [_head(sample, onset, rate_hz) for sample, onset in zip(samples, onsets, strict=True)]
        alike = list(_likenesses(recording, chosen, heads))
    signs = _signs(chosen, alike)
    median_dbfs = median_strength_dbfs(hits)
    strokes = []
    for each, like in zip(chosen, alike, strict=True):
        sign, sample = signs[each.sample], samples[each.sample]
        shift = None if like is None else like.shift_frames(sign)
        at_frame = each.frame(rate_hz) - onsets[each.sample] + (shift or 0.0)
        wanted_dbfs = median_dbfs + settings.follow * (each.hit.level_dbfs - median_dbfs)
        gain = 10 ** ((wanted_dbfs - strength_dbfs(sample, onsets[each.sample], rate_hz)) / 20)
        strokes.append(Stroke(each.sample, round(at_frame, 3), sign * gain, shift))
    return tuple(strokes)


def median_strength_dbfs(hits: HitList) -> float:
    """Strength of the median hit, against which strengths in settings are meant."""
    return float(np.median([hit.level_dbfs for hit in hits.hits]))


def onset_frame(sample: Audio) -> int:
    """Where a sample begins."""
    level = np.abs(sample).max(axis=1)
    return int(np.argmax(level >= level.max() * 10 ** (ONSET_DB / 20)))


@dataclass(frozen=True)
class _Chosen:
    hit: Hit
    sample: int
    room_s: float
    """Until the next hit."""

    def frame(self, rate_hz: int) -> int:
        return round(self.hit.at_s * rate_hz)

    def compared_frames(self, rate_hz: int) -> int:
        """How much of the recording after the hit is held against the sample."""
        return _frames(min(COMPARED_MS, max(LEAST_COMPARED_MS, 1000 * self.room_s)), rate_hz)


def _chosen(hits: HitList, settings: Reinforce) -> Iterator[_Chosen]:
    """The hits to be reinforced, each with its sample: those of one strength take turns."""
    median_dbfs = median_strength_dbfs(hits)
    turns: Counter[float | None] = Counter()
    nexts = [*(hit.at_s for hit in hits.hits[1:]), math.inf]
    for hit, next_s in zip(hits.hits, nexts, strict=True):
        strength_db = hit.level_dbfs - median_dbfs
        if settings.only_below_db is not None and strength_db >= settings.only_below_db:
            continue
        floors = {s.from_db for s in settings.samples if s.from_db is None or s.from_db <= strength_db}
        if floors:
            highest = max(floors, key=lambda db: -math.inf if db is None else db)
            among = [n for n, sample in enumerate(settings.samples) if sample.from_db == highest]
            yield _Chosen(hit, among[turns[highest] % len(among)], next_s - hit.at_s)
            turns[highest] += 1


def _signs(chosen: Sequence[_Chosen], alike: Sequence[Likeness | None]) -> dict[int, Sign]:
    """Which way up each sample is more like all its hits."""
    leaning: defaultdict[int, float] = defaultdict(float)
    for each, like in zip(chosen, alike, strict=True):
        if like is not None:
            up, down = (float(like.at_frames(sign).max()) for sign in (1, -1))
            leaning[each.sample] += up - down
    return {each.sample: -1 if leaning[each.sample] < 0 else 1 for each in chosen}


def _head(sample: Audio, onset: int, rate_hz: int) -> Audio:
    """The mid of a sample from 1 ms before its onset to 60 ms after it."""
    before, after = _frames(BEFORE_MS, rate_hz), _frames(COMPARED_MS, rate_hz)
    head = np.zeros(before + after)
    piece = sample[max(0, onset - before) : onset + after].mean(axis=1)
    begins = max(0, before - onset)
    head[begins : begins + len(piece)] = piece
    return head


def _likenesses(
    recording: AudioReader, chosen: Sequence[_Chosen], heads: Sequence[Audio]
) -> Iterator[Likeness]:
    """Likeness of each hit to its sample."""
    rate_hz = recording.info.rate_hz
    before = _frames(BEFORE_MS, rate_hz)
    beyond = _frames(SEARCH_MS, rate_hz) + MARGIN_FRAMES
    held, held_from = np.zeros(0), 0
    for each in chosen:
        window = _window(before + each.compared_frames(rate_hz))
        begin = each.frame(rate_hz) - before - beyond
        end = begin + len(window) + 2 * beyond
        while held_from + len(held) < end and len(more := recording.read(_READ_FRAMES)):
            past = min(max(0, begin - held_from), len(held))
            held, held_from = np.concatenate([held[past:], more.mean(axis=1)]), held_from + past
        past = min(max(0, begin - held_from), len(held))
        held, held_from = held[past:], held_from + past
        heard = np.zeros(end - begin)
        found = held[: end - held_from]
        heard[held_from - begin : held_from - begin + len(found)] = found
        yield likeness(heads[each.sample][: len(window)], window, heard)


def _window(frames: int) -> Audio:
    """Whole for one half, then fading: what comes late in a hit counts less."""
    window = np.ones(frames)
    fade = frames // 2
    window[-fade:] = 0.5 + 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / fade)
    return window


def _frames(ms: float, rate_hz: int) -> int:
    return round(ms * rate_hz / 1000)
