"""The sound of a place or a body, from its impulse response."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import Annotated, Any, ClassVar, Literal

import numpy as np
from pydantic import Field

from busproc.errors import AudioFileError, InputError
from busproc.settings import FileName
from busproc.stages.base import Audio, Decider, Heard, Plan, Verdict
from busproc.stages.context import Context
from busproc.stages.convolution import Convolve as Convolver
from busproc.stages.convolution import ConvolveState
from busproc.stages.observe import Totals
from busproc.stages.responses import response_of
from busproc.stages.treatments import DelayLine, Treatment

SHORTEST_BLOCK, LONGEST_BLOCK = 512, 16384
PARTS = 12
"""About so many blocks make a response: cheap, and not much later than need be."""


class TwoSided(Convolver):
    """Left by one response and right by another: `same` is half their sum, `cross` half their difference."""

    @functools.cached_property
    def spectra(self) -> tuple[Audio, Audio, Audio]:
        """With -j times the difference, as j times a sound's conjugate is that with the sides exchanged."""
        same, cross, turns = super().spectra
        return same, np.ascontiguousarray(np.stack([cross[:, 1], -cross[:, 0]], axis=1)), turns


def convolver(taps: Audio) -> Convolver:
    """Treatment with responses `(frames, 2)` of left and right, in equal blocks on the stream's own grid."""
    block = SHORTEST_BLOCK
    while block < LONGEST_BLOCK and block * PARTS < len(taps):
        block *= 2
    left, right = np.pad(taps, ((0, -len(taps) % block), (0, 0))).T
    if np.array_equal(left, right):
        return Convolver(left.copy(), np.zeros(0), block, 0)
    return TwoSided((left + right) / 2, (left - right) / 2, block, 0)


@dataclass
class BlendState:
    """What waits on either way, and the sound that the response still answers."""

    dry: DelayLine
    wet: DelayLine
    convolver: ConvolveState


@dataclass(frozen=True)
class Blend(Treatment):
    """Blend lanes with what a convolver makes of them, `pre_delay_frames` later. Decides nothing."""

    convolver: Convolver
    pre_delay_frames: int
    mix: float
    gain: float
    shapes_spectrum: ClassVar[bool] = True

    @property
    def latency_frames(self) -> int:  # type: ignore[override]
        """The convolver's."""
        return self.convolver.latency_frames

    def start(self, lanes: int) -> BlendState:
        """Silence on both ways."""
        return BlendState(
            dry=DelayLine(self.latency_frames, (lanes, 2)),
            wet=DelayLine(self.pre_delay_frames, (lanes, 2)),
            convolver=self.convolver.start(lanes),
        )

    def apply(self, state: BlendState, decision: None, lanes: Audio) -> Audio:  # noqa: ARG002
        """Add both up."""
        wet = self.convolver.apply(state.convolver, None, state.wet.push(lanes))
        return state.dry.push(lanes) * (1 - self.mix) + wet * (self.mix * self.gain)


@dataclass(frozen=True)
class Untouched(Treatment):
    """Hand lanes on."""

    shapes_spectrum: ClassVar[bool] = True

    def start(self, lanes: int) -> None:
        """Nothing to remember."""

    def apply(self, state: None, decision: None, lanes: Audio) -> Audio:  # noqa: ARG002
        """Do nothing."""
        return lanes


@dataclass(frozen=True, kw_only=True)
class ConvolvePlan(Plan):
    """How long the response is after conversion and trimming."""

    response_s: float


class Convolve(Decider):
    """Convolve the bus with an impulse response, a recording of how a place or a body answers a click.

    Decides: nothing. Treatment: Blend. Latency: a block of the transform, a power of two from 512 to 16384
    frames and about a twelfth of the response; none without a response. Neutral: mix 0, or no response.
    The response is converted to the song's rate, cut where it is 90 dB under its peak at either end, and
    brought to an energy of 1 (at 48 kHz), so that noise stays as loud as it is. Left goes through its left
    channel, right through its right one. The blocks lie on the stream's own grid. On a return of its own
    set mix 1. A response of 4 s costs about thirty times what six sections of an eq do.
    Not to be confused with: reverb, whose room is worked out and can be changed.
    Source: T. G. Stockham, 'High-Speed Convolution and Correlation', AFIPS 1966 (overlap-save), with the
    response in equal parts; textbook.
    """

    stage: Literal["convolve"] = "convolve"
    neutral: ClassVar = {"mix": 0.0}

    response: Literal["wooden_box"] | FileName | None = None
    """Audio file of the response, relative to the chain file; or `wooden_box`, made here; null for none."""
    gain_db: Annotated[float, Field(ge=-40, le=20, strict=True)] = 0.0
    """Level of the answer."""
    pre_delay_ms: Annotated[float, Field(ge=0, le=500, strict=True)] = 0.0
    """How long the answer waits."""
    mix: Annotated[float, Field(ge=0, le=1, strict=True)] = 0.5
    """Share of the answer: 0 is the bus as it came, 1 the answer alone, as on a return."""

    def plan(self, context: Context) -> ConvolvePlan:
        """Read the response and cut it into blocks."""
        if self.response is None or not self.mix:
            return ConvolvePlan(treatment=Untouched(), response_s=0.0)
        try:
            taps = response_of(self.response, context.rate_hz)
        except AudioFileError as error:
            raise InputError(f"{context.place or 'convolve'}.response: {error}") from None
        wait = round(self.pre_delay_ms / 1000 * context.rate_hz)
        return ConvolvePlan(
            treatment=Blend(convolver(taps), wait, self.mix, 10 ** (self.gain_db / 20)),
            tail_frames=wait + len(taps),
            response_s=len(taps) / context.rate_hz,
        )

    def decide(self, plan: ConvolvePlan, memory: dict[str, Audio], heard: Heard) -> None:
        """Nothing depends on the sound."""

    def explain(self, plan: ConvolvePlan, totals: Totals) -> Verdict:
        """Tell the response, and what it did to the level."""
        did: dict[str, Any] = {
            "level_change_db": round(totals.level_change_db, 2),
            "response_s": round(plan.response_s, 3),
        }
        if not plan.response_s:
            return Verdict("left alone", "No response, or mix 0: the bus passes as it came.", did)
        if totals.before.rms_dbfs is None:
            return Verdict("left alone", "Nothing sounded, 0 dB changed.", did)
        return Verdict(
            "worked",
            f"{self.mix:.0%} of {self.response}, which lasts {plan.response_s:.2f} s: "
            f"{totals.level_change_db:+.2f} dB.",
            did,
        )
