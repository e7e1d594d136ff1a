"""Which settings fit a departure: the numbers that may bring a song back, the likeliest first."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from busproc.album.drive import ADDED, CALIBRATION
from busproc.album.knobs import Added, Knob, Setting
from busproc.chain import Chain
from busproc.changes import STEP
from busproc.stages.base import Stage
from busproc.stages.compressor import Compressor
from busproc.stages.eq import Eq
from busproc.stages.eq_bands import Shaped
from busproc.stages.gain import Gain
from busproc.stages.limiter import Limiter
from busproc.stages.width import Width

MOST_GAIN_DB, MOST_BELL_DB, MOST_THRESHOLD_DB = 24.0, 12.0, 30.0
MOST_RATIO = 10.0
MONO = {"low": 20.0, "high": 400.0, "step": 10.0}
FIRST_MONO_HZ = 120.0
MOST_BANDS, LEAST_Q = 24, 0.3
CLOSE_OCTAVES = 0.5
"""A bell of the shared chain this near the middle of what departs is turned before another is made."""

Departure = dict[str, Any]


@dataclass(frozen=True)
class Desk:
    """What can be turned for one song: the shared chain, the chain as it runs, and its stages by name."""

    shared: Chain
    chain: Chain
    paths: dict[str, str]
    reductions_db: dict[str, float]
    true_peak_dbtp: float

    def knobs(self, departure: Departure, off: float) -> Iterator[Knob]:
        """Fitting settings, the likeliest first, for a song that lies `off` the others."""
        kind = departure["kind"]
        if kind == "drive":
            yield self._trim(off)
        elif kind == "loudness":
            yield from self._gains(-off)
        elif kind == "reduction":
            yield from self._reduction(departure["what"].removeprefix("reduction of "), off)
        elif kind == "balance":
            yield from self._bells([float(band["hz"]) for band in departure["bands"]], off)
        elif kind == "low end out of the middle":
            yield from self._mono(off)
        else:
            yield from self._dynamics(off)

    def _own(self) -> list[int]:
        """Places of the shared chain's stages in the chain as it runs."""
        places = [n for n, stage in enumerate(self.chain.stages) if stage.name not in ADDED]
        return places if len(places) == len(self.shared.stages) else []

    def _unconditional(self) -> list[tuple[int, Stage]]:
        return [(n, self.chain.stages[n]) for n in self._own() if self.chain.stages[n].when is None]

    def _setting(self, running: str, **numbers: Any) -> Iterator[Setting]:
        """A setting by its path in the chain as it runs; nothing where it is not the shared chain's."""
        steps = STEP.findall(running)
        place, rest = int(steps[1][1:-1]), running.split("]", 1)[1]
        if place in self._own():
            path = f"{self._head(self._own().index(place))}{rest}"
            yield Setting(chain=self.chain, path=path, running=running, **numbers)

    def _head(self, n: int) -> str:
        """What a path begins with: the stage's own name, its tag where only one has it, or its place."""
        words = [word for stage in self.shared.stages for word in {stage.name, stage.tag}]
        stage = self.shared.stages[n]
        plain = (word for word in (stage.name, stage.tag) if word and not set(word) & set(".[]"))
        return next((word for word in plain if words.count(word) == 1), f"stages[{n}]")

    def _trim(self, off: float) -> Knob:
        return Added(
            chain=self.chain,
            start=0.0,
            first=-off,
            low=-MOST_GAIN_DB,
            high=MOST_GAIN_DB,
            at=0,
            stage=lambda value: Gain(name=CALIBRATION, gain_db=value),
            words=lambda value: f"a trim of {value:+.1f} dB in front of the chain (calibrate gives it)",
        )

    def _gains(self, more_db: float) -> Iterator[Knob]:
        """Gain into the final limiter: the last make-up or gain of the shared chain, or one of its own."""
        limited = bool(self.chain.stages) and isinstance(self.chain.stages[-1], Limiter)
        high = MOST_GAIN_DB if limited else min(MOST_GAIN_DB, max(0.0, -self.true_peak_dbtp))
        settings = list(self._last_gain(more_db, high))
        yield from settings
        if not settings:
            where = "into the final limiter" if limited else "at the end of the chain"
            yield Added(
                chain=self.chain,
                start=0.0,
                first=more_db,
                low=-MOST_GAIN_DB,
                high=high,
                at=len(self.chain.stages) - limited,
                stage=lambda value: Gain(gain_db=value),
                words=lambda value: f"a gain of {value:+.1f} dB {where}",
            )

    def _last_gain(self, more_db: float, most_db: float) -> Iterator[Setting]:
        """The last stage that has a gain, with nothing but filters between it and the final limiter."""
        for n, stage in reversed(self._unconditional()):
            field = {Gain: "gain_db", Compressor: "makeup_db"}.get(type(stage))
            now = getattr(stage, field) if field else None
            if isinstance(now, float):
                yield from self._setting(
                    f"stages[{n}].{field}",
                    start=now,
                    first=now + more_db,
                    low=-MOST_GAIN_DB,
                    high=min(MOST_GAIN_DB, now + most_db),
                )
            if field or not (stage is self.chain.stages[-1] or isinstance(stage, Eq | Width)):
                return

    def _reduction(self, name: str, off: float) -> Iterator[Knob]:
        path = self.paths.get(name, "")
        stage = _at(self.chain, path) if path else {}
        if stage.get("stage") == "compressor":
            yield from self._threshold(path, stage, off / max(0.1, _slope(stage["ratio"])))
        elif path == f"stages[{len(self.chain.stages) - 1}]":
            yield from self._gains(-off)
        elif stage.get("stage") == "limiter":
            now = stage["ceiling_dbtp"]
            yield from self._setting(f"{path}.ceiling_dbtp", start=now, first=now + off, low=-24.0, high=6.0)

    def _threshold(self, path: str, stage: dict[str, Any], more_db: float) -> Iterator[Setting]:
        now = stage["threshold_dbfs"]
        if stage["ratio"] != 1:
            yield from self._setting(
                f"{path}.threshold_dbfs",
                start=now,
                first=now + more_db,
                low=max(-80.0, now - MOST_THRESHOLD_DB),
                high=min(0.0, now + MOST_THRESHOLD_DB),
            )

    def _dynamics(self, off: float) -> Iterator[Knob]:
        """Threshold and ratio of the compressor that does most, then the gain into the final limiter."""
        names = [name for name, path in self.paths.items() if _at(self.chain, path)["stage"] == "compressor"]
        name = max(names, key=lambda each: self.reductions_db.get(each, 0.0), default=None)
        if name is not None:
            path, stage = self.paths[name], _at(self.chain, self.paths[name])
            yield from self._threshold(path, stage, -2 * off)
            if not isinstance(stage["ratio"], str):
                yield from self._setting(
                    f"{path}.ratio",
                    start=stage["ratio"],
                    first=stage["ratio"] * (1.5 if off > 0 else 1 / 1.5),
                    low=1.0,
                    high=max(MOST_RATIO, stage["ratio"]),
                )
        yield from self._gains(off)

    def _bells(self, bands_hz: list[float], off: float) -> Iterator[Knob]:
        """A bell of the shared chain that stands close by, then one of its own as wide as the bands."""
        freq_hz = math.sqrt(bands_hz[0] * bands_hz[-1])
        yield from self._bell_close_by(freq_hz, off)
        bell: dict[str, Any] = {"shape": "bell", "freq_hz": float(f"{freq_hz:.2g}"), "q": _q(len(bands_hz))}
        numbers = {"start": 0.0, "first": -off, "low": -MOST_BELL_DB, "high": MOST_BELL_DB}
        own = f"dB at {bell['freq_hz']:g} Hz, q {bell['q']:g}"
        eqs = [n for n, stage in self._unconditional() if isinstance(stage, Eq)]
        path = next((f"stages[{n}].bands" for n in eqs if _has_room(self.chain.stages[n])), None)
        if path:
            there = _at(self.chain, path.removesuffix(".bands"))["bands"]
            yield from self._setting(
                path,
                value=lambda value: [*there, bell | {"gain_db": value}],
                words=lambda value: f"one more band of the eq, a bell of {value:+.1f} {own}",
                **numbers,
            )
        else:
            yield Added(
                chain=self.chain,
                at=0,
                stage=lambda value: Eq(bands=(Shaped(gain_db=value, **bell),)),
                words=lambda value: f"a bell of {value:+.1f} {own}, in front of the chain",
                **numbers,
            )

    def _bell_close_by(self, freq_hz: float, off: float) -> Iterator[Setting]:
        close = [
            (octaves, n, k, band.gain_db)
            for n, stage in self._unconditional()
            if isinstance(stage, Eq)
            for k, band in enumerate(stage.bands)
            if isinstance(band, Shaped) and band.shape == "bell" and band.on == "left_right"
            if (octaves := abs(math.log2(band.freq_hz / freq_hz))) <= CLOSE_OCTAVES
        ]
        if close:
            _, n, k, now = min(close)
            path = f"stages[{n}].bands[{k}].gain_db"
            yield from self._setting(path, start=now, first=now - off, low=-24.0, high=24.0)

    def _mono(self, off: float) -> Iterator[Knob]:
        """Up to where the low end is mono; one that has more in the middle can only be given back."""
        for n, stage in self._unconditional():
            if isinstance(stage, Width):
                now = stage.mono_below_hz
                if now is not None or off < 0:
                    first = FIRST_MONO_HZ if now is None else now * (1.4 if off < 0 else 1 / 1.4)
                    yield from self._setting(
                        f"stages[{n}].mono_below_hz", start=now or 20.0, first=first, **MONO
                    )
                return
        if off < 0:
            yield Added(
                chain=self.chain,
                start=20.0,
                first=FIRST_MONO_HZ,
                at=0,
                stage=lambda value: Width(mono_below_hz=value),
                words=lambda value: f"a width stage with mono_below_hz {value:g} in front of the chain",
                **MONO,
            )


def _at(chain: Chain, path: str) -> dict[str, Any]:
    """The stage that a path leads to, as its file says it."""
    node = json.loads(chain.model_dump_json(by_alias=True, exclude={"schema_"}))
    for step in STEP.findall(path):
        node = node[int(step[1:-1]) if step.startswith("[") else step]
    return dict(node)


def _has_room(stage: Stage) -> bool:
    return isinstance(stage, Eq) and len(stage.bands) < MOST_BANDS


def _slope(ratio: float | str) -> float:
    """How many dB the reduction grows for each dB over the threshold."""
    return 1.0 if isinstance(ratio, str) else 1 - 1 / ratio


def _q(bands: int) -> float:
    """Of a bell as wide as so many third octaves and half of both beside them."""
    octaves = (bands + 1) / 3
    return max(LEAST_Q, round(2 ** (octaves / 2) / (2**octaves - 1), 1))
