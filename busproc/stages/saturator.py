"""Saturation by a curve, oversampled so that its harmonics do not fold back."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Annotated, Any, ClassVar, Literal, NamedTuple, get_args

import numpy as np
from pydantic import BeforeValidator, Field
from pydantic_core import PydanticCustomError

from busproc.kernels import biquad, curves, oversample, shape
from busproc.stages import filters
from busproc.stages.base import Audio, Decider, Heard, Plan, Verdict
from busproc.stages.context import Context
from busproc.stages.observe import Totals
from busproc.stages.study import LoudnessStudy
from busproc.stages.treatments import DelayLine, Treatment

Curve = Literal["tanh", "cubic", "clip", "asymmetric"]
CURVES: tuple[Curve, ...] = get_args(Curve)
Factor = Literal[1, 2, 4, 8, 16, 32]


def _no_truth(value: object) -> object:
    """Refuse true, which Python takes for 1."""
    if isinstance(value, bool):
        raise PydanticCustomError("literal_error", "must be one of the choices")
    return value


Oversampling = Annotated[Literal["auto", 1, 2, 4, 8, 16, 32], BeforeValidator(_no_truth)]

SMOOTH_FACTORS: tuple[tuple[float, Factor], ...] = ((12.0, 8), (18.0, 16))
"""Up to which drive in dB a smooth curve needs no more than which factor; 32 above.

Measured at 44.1 and 48 kHz: what a full-scale sine of 10 kHz folds back under 20 kHz is then under -120 dBFS.
"""
KINKED_FACTOR: Factor = 32
"""For curves whose slope (clip) or bend (cubic) jumps: their harmonics never end."""
DC_BLOCK_HZ = 5.0
INAUDIBLE_DB = -90.0
SLIGHT_DB = -60.0
"""A strongest harmonic under this is called slight. Ours, not a standard's."""
ORDERS = {2: "second", 3: "third", 4: "fourth", 5: "fifth"}


class Bent(NamedTuple):
    """What is decided at the oversampled rate, `(frames * factor, 2)` each."""

    fine: Audio
    """The bus there, through `before`: that is lane 0, which need not be raised twice."""
    ratio: Audio
    """What every lane is multiplied by."""


class BendState(NamedTuple):
    """Dry delay and the memories of all filters; the bus is raised by who decides, so `up` lacks lane 0."""

    dry: DelayLine
    before: Audio
    up: list[Audio]
    down: list[Audio]
    after: Audio


@dataclass(frozen=True)
class Bend(Treatment):
    """Multiply by the decision's ratio at the oversampled rate, between filters.

    Written as a difference, gain * (delayed(x) + after(down(up(before(x)) * (ratio - 1)))), so that a
    ratio of 1 returns the lanes bit for bit and no filter colours anything but what the ratio adds.
    `before` and `after` are sections `(sections, 5)` at the base rate.
    """

    factor: int
    before: Audio = field(default_factory=filters.no_sections)
    after: Audio = field(default_factory=filters.no_sections)
    gain: float = 1.0

    @property
    def latency_frames(self) -> int:  # type: ignore[override]
        """Both ways through the oversampling filters."""
        return oversample.latency_frames(self.factor)

    def start(self, lanes: int) -> BendState:
        """Make fresh memories."""
        return BendState(
            dry=DelayLine(self.latency_frames, (lanes, 2)),
            before=np.zeros((len(self.before), 2, 2 * (lanes - 1))),
            up=[oversample.start_up(self.factor, 2) for _ in range(lanes - 1)],
            down=[oversample.start_down(self.factor, 2) for _ in range(lanes)],
            after=np.zeros((len(self.after), 2, 2 * lanes)),
        )

    def apply(self, state: BendState, decision: Bent, lanes: Audio) -> Audio:
        """Treat at the oversampled rate, come back, add."""
        others = np.ascontiguousarray(lanes[:, 1:]).reshape(len(lanes), -1)
        if len(self.before) and others.size:
            others = biquad.run_sections(self.before, state.before, others)
        changes = [oversample.down(self.factor, state.down[0], decision.fine, decision.ratio)]
        for k, (up, down) in enumerate(zip(state.up, state.down[1:], strict=True)):
            fine = oversample.up(self.factor, up, others[:, 2 * k : 2 * k + 2])
            changes.append(oversample.down(self.factor, down, fine, decision.ratio))
        change = np.concatenate(changes, axis=1)
        if len(self.after):
            change = biquad.run_sections(self.after, state.after, change)
        bent = state.dry.push(lanes) + change.reshape(lanes.shape)
        return bent if self.gain == 1 else bent * self.gain


@dataclass(frozen=True, kw_only=True)
class SaturatorPlan(Plan):
    """The factor in use, the emphasis of the detector, the gain that gives the loudness back."""

    factor: int
    emphasis: Audio
    matched_gain_db: float


class Saturator(Decider):
    """Bend the wave by a curve f, y = f(drive x) / (drive f'(0)): quiet sound passes at its level.

    Decides: the ratio y/x per oversampled frame and side. Treatment: Bend. Latency: that of the
    oversampling filters. Neutral: mix 0.
    Curves: tanh, and cubic (u - u^3/3, held from u = 1 on), give odd harmonics; clip leaves all alone that is
    under full scale once driven, and has a hard knee; asymmetric is tanh(u + bias) - tanh(bias), gives even
    harmonics too, and the offset they bring is taken out below 5 Hz.
    Tone tilts what reaches the curve and is undone behind it: with +6 dB highs are bent more, lows less.
    What folds back of a full-scale 10 kHz sine at 12 dB of drive, automatic oversampling: tanh and asymmetric
    under -120 dBFS, cubic under -100; clip has a hard knee and stays at -80.
    Not to be confused with: a limiter, which turns down and does not bend.
    Source: common practice, no source; harmonics of tanh by its Taylor series.
    """

    stage: Literal["saturator"] = "saturator"
    neutral: ClassVar = {"mix": 0.0}

    curve: Curve = "tanh"
    """Shape of the bend."""
    drive_db: Annotated[float, Field(ge=0, le=36, strict=True)] = 3.0
    """How far the wave is pushed into the bend; its level is given back after."""
    bias: Annotated[float, Field(ge=-1, le=1, strict=True)] = 0.3
    """How far off its middle the asymmetric curve is used; the other curves have none."""
    tone_db: Annotated[float, Field(ge=-12, le=12, strict=True)] = 0.0
    """Tilt before the curve: this much above `tone_freq_hz`, as much less below; undone after."""
    tone_freq_hz: Annotated[float, Field(ge=100, le=10000, strict=True)] = 1000.0
    """Where the tilt is 0 dB."""
    mix: Annotated[float, Field(ge=0, le=1, strict=True)] = 1.0
    """Share of the bent wave; the rest is the untouched bus."""
    level: Literal["as_is", "matched"] = "as_is"
    """Whether a gain behind makes the whole song as loud as it came, in integrated loudness."""
    oversampling: Oversampling = "auto"
    """How many times the rate at which the wave is bent; auto takes what curve and drive need."""

    def study(self, context: Context) -> LoudnessStudy | None:
        """Measure the song before and after, where the loudness is to be matched."""
        return LoudnessStudy(context.rate_hz, "matched_gain_db") if self.level == "matched" else None

    def plan(self, context: Context) -> SaturatorPlan:
        """Choose the factor, design the tilt and its inverse."""
        rate = context.rate_hz
        before, after = [], []
        if self.tone_db:
            before.append(filters.tilt(self.tone_freq_hz, self.tone_db, rate))
            after.append(filters.tilt(self.tone_freq_hz, -self.tone_db, rate))
        if self.curve == "asymmetric":
            after += filters.high_pass(DC_BLOCK_HZ, 6, rate)
        emphasis, factor = filters.sections(before), self.factor_at(rate)
        gain_db = float(context.known("matched_gain_db", 0.0)) if self.level == "matched" else 0.0
        return SaturatorPlan(
            treatment=Bend(factor, emphasis, filters.sections(after), 10 ** (gain_db / 20)),
            factor=factor,
            emphasis=emphasis,
            matched_gain_db=gain_db,
            decides_apart=context.bends_apart,
        )

    def factor_at(self, rate_hz: int) -> int:
        """The factor that is set, or what curve, drive and tone need at a rate; less at high rates."""
        if self.oversampling != "auto":
            return self.oversampling
        factor = KINKED_FACTOR
        if self.curve in {"tanh", "asymmetric"}:
            drive_db = self.drive_db + max(0.0, self.tone_db)
            factor = next((enough for most_db, enough in SMOOTH_FACTORS if drive_db <= most_db), factor)
        doublings = max(1, rate_hz // 44100).bit_length() - 1
        return max(1, factor >> doublings)

    def memory(self, plan: SaturatorPlan) -> dict[str, Any]:
        """Memory of the detector's own tilt and oversampling."""
        return {
            "emphasis": np.zeros((len(plan.emphasis), 2, 2)),
            "up": oversample.start_up(plan.factor, 2),
        }

    def decide(self, plan: SaturatorPlan, memory: dict[str, Any], heard: Heard) -> Bent:
        """Bend the bus at the oversampled rate and keep the ratio."""
        bus = heard.bus
        if len(plan.emphasis):
            bus = biquad.run_sections(plan.emphasis, memory["emphasis"], bus)
        fine = oversample.up(plan.factor, memory["up"], bus)
        return Bent(fine, ratio_of(self.curve, fine, 10 ** (self.drive_db / 20), self.mix, self.bias))

    def explain(self, plan: SaturatorPlan, totals: Totals) -> Verdict:
        """Tell the harmonics that a sine as loud as the bus would gain."""
        change = round(totals.level_change_db, 2)
        did: dict[str, Any] = {
            "drive_db": self.drive_db,
            "oversampling": plan.factor,
            "level_change_db": change,
            **({"matched_gain_db": plan.matched_gain_db} if self.level == "matched" else {}),
        }
        level, peak = totals.before.rms_dbfs, totals.before.peak_dbfs
        if level is None or peak is None:
            return Verdict("left alone", "Nothing sounded, 0 dB changed.", did)
        found = self.harmonics_db(level)
        did |= {"sine_dbfs": round(level, 2), "harmonics_db": _rounded(found)}
        order, strongest = _strongest(found)
        if strongest < INAUDIBLE_DB:
            return self._of_peaks(peak, change, did)
        after = f", {plan.matched_gain_db:+.2f} dB of it to match the loudness" * (self.level == "matched")
        return Verdict(
            "worked" if strongest >= SLIGHT_DB else "slight",
            f"A sine at the bus's {level:.1f} dBFS gains a {ORDERS[order]} harmonic at {strongest:.0f} dB; "
            f"the bus changed by {change:+.2f} dB{after}.",
            did,
        )

    def _of_peaks(self, peak_dbfs: float, change_db: float, did: dict[str, Any]) -> Verdict:
        """Judge a bus that is bent, if at all, only where it is loudest."""
        order, strongest = _strongest(self.harmonics_db(peak_dbfs))
        if strongest < INAUDIBLE_DB:
            return Verdict(
                "left alone", f"Even at its peak of {peak_dbfs:.1f} dBFS harmonics are under -90 dB.", did
            )
        return Verdict(
            "slight",
            f"Only peaks reach the bend: a sine at the highest, {peak_dbfs:.1f} dBFS, gains a "
            f"{ORDERS[order]} harmonic at {strongest:.0f} dB; the bus changed by {change_db:+.2f} dB.",
            did,
        )

    def harmonics_db(self, level_dbfs: float) -> dict[int, float | None]:
        """Harmonics 2 to 5 that a sine of this level gains, before the tone is undone."""
        amplitude, drive = 10 ** (level_dbfs / 20), 10 ** (self.drive_db / 20)
        return {
            order: harmonic_db(amplitude, drive, self.mix, order, self.curve, self.bias) for order in ORDERS
        }


def ratio_of(curve: Curve, x: Audio, drive: float, mix: float, bias: float) -> Audio:
    """Ratio of output to input for each value of `x (frames, 2)`."""
    if curve == "tanh":
        return shape.tanh_ratio(x, drive, mix)
    if curve == "cubic":
        return curves.cubic_ratio(x, drive, mix)
    if curve == "clip":
        return curves.clip_ratio(x, drive, mix)
    return curves.asymmetric_ratio(x, drive, mix, bias)


def harmonic_db(
    amplitude: float, drive: float, mix: float, order: int, curve: Curve = "tanh", bias: float = 0.0
) -> float | None:
    """Level of a harmonic of a bent sine against its fundamental; none where there is no bend.

    >>> round(harmonic_db(1.0, 1.0, 1.0, 3), 2)  # tanh of a full-scale sine
    -23.5
    """
    points = 1024
    turns = [2 * math.pi * (n + 0.5) / points for n in range(points)]
    sine = np.array([[amplitude * math.sin(turn)] * 2 for turn in turns])
    wave = (sine * ratio_of(curve, sine, drive, mix, bias))[:, 0].tolist()
    first, other = (
        math.hypot(
            math.fsum(y * math.sin(k * turn) for y, turn in zip(wave, turns, strict=True)),
            math.fsum(y * math.cos(k * turn) for y, turn in zip(wave, turns, strict=True)),
        )
        for k in (1, order)
    )
    return 20 * math.log10(other / first) if other > 1e-15 * first else None


def _strongest(found: dict[int, float | None]) -> tuple[int, float]:
    """The strongest harmonic and its level; far under everything where there is none."""
    return max(
        ((order, level) for order, level in found.items() if level is not None),
        key=lambda each: each[1],
        default=(3, -math.inf),
    )


def _rounded(found: dict[int, float | None]) -> dict[str, float | None]:
    return {str(order): None if level is None else round(level, 1) for order, level in found.items()}
