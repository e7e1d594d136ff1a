"""The few things a decision can do to a lane, each linear in the lane.

Because a treatment gives every lane the same linear map, lanes that add up to the bus before it add up
to the bus after it. That is proved here, once for each treatment, and not once for each stage. A
treatment never writes to the lanes it is given; where there is nothing to do it hands them on.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass, field
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from busproc.kernels import biquad, oversample
from busproc.kernels import lanes as in_all_lanes

Audio = NDArray[np.float64]


class DelayLine:
    """Hold a stream back by whole frames.

    Parameters
    ----------
    frames
        How long.
    shape
        Shape of one frame.
    """

    def __init__(self, frames: int, shape: tuple[int, ...]) -> None:
        self.history = np.zeros((frames, *shape))

    def push(self, block: Audio) -> Audio:
        """Take `block (frames, ...)` in, give as many frames of earlier sound out."""
        if not len(self.history):
            return block
        joined = np.concatenate([self.history, block])
        self.history = joined[len(block) :]
        return joined[: len(block)]


class Treatment(ABC):
    """A linear map from lanes to lanes, steered by a decision."""

    latency_frames: int = 0
    shapes_spectrum: ClassVar[bool] = False
    is_gain: ClassVar[bool] = False
    resting_gain: float = 1.0
    decisions_per_frame: int = 1
    band_gains: int = 0
    """How many columns of the decision are gains of single bands or parts; rises and falls count alike."""

    @abstractmethod
    def start(self, lanes: int) -> Any:
        """Make a fresh state for so many lanes."""

    @abstractmethod
    def apply(self, state: Any, decision: Any, lanes: Audio) -> Audio:
        """Carry the decision out on `lanes (frames, lanes, 2)`; `state` is updated in place."""


@dataclass(frozen=True)
class Gain(Treatment):
    """Multiply each frame by the decision: one gain curve `(frames,)`, or one for each side `(frames, 2)`.

    `resting_gain` is what the curve holds while nothing is to be done (make-up, for instance). With
    `on_mid_and_side` the two curves are those of mid and side, which are changed by adding a difference.
    """

    resting_gain: float = 1.0
    on_mid_and_side: bool = False
    is_gain: ClassVar[bool] = True

    def start(self, lanes: int) -> None:
        """Nothing to remember."""

    def apply(self, state: None, decision: Audio, lanes: Audio) -> Audio:  # noqa: ARG002
        """Multiply."""
        if self.on_mid_and_side:
            return lanes * self.resting_gain + _on_mid_and_side(lanes, decision - self.resting_gain)
        return in_all_lanes.multiply(lanes, decision) if decision.ndim == 1 else lanes * decision[:, None]


def _for_lanes(gain: Audio) -> Audio:
    """A gain `(frames,)` or `(frames, 2)`, to be multiplied with lanes."""
    return gain[:, None, None] if gain.ndim == 1 else gain[:, None]


def _on_mid_and_side(lanes: Audio, gain: Audio) -> Audio:
    """Lanes with mid and side multiplied by `gain (frames, 2)`."""
    mid = 0.5 * (lanes[..., 0] + lanes[..., 1]) * gain[:, :1]
    side = 0.5 * (lanes[..., 0] - lanes[..., 1]) * gain[:, 1:]
    return np.stack([mid + side, mid - side], axis=-1)


@dataclass(frozen=True)
class Matrix(Treatment):
    """Mix left and right by a fixed 2 x 2 matrix, rows (left, right) of the output. Decides nothing."""

    rows: tuple[tuple[float, float], tuple[float, float]]
    shapes_spectrum: ClassVar[bool] = True

    def start(self, lanes: int) -> None:
        """Nothing to remember."""

    def apply(self, state: None, decision: None, lanes: Audio) -> Audio:  # noqa: ARG002
        """Multiply out."""
        return in_all_lanes.mix_sides(lanes, self.rows)


def _no_sections() -> Audio:
    return np.zeros((0, 5))


@dataclass(frozen=True)
class Sections(Treatment):
    """Run fixed second-order sections on left and right, on mid, and on side. Decides nothing.

    Each is `(sections, 5)`: b0, b1, b2, a1, a2. Mid and side are changed by adding the difference the
    filter makes, so what is not filtered passes untouched.
    """

    both: Audio = field(default_factory=_no_sections)
    mid: Audio = field(default_factory=_no_sections)
    side: Audio = field(default_factory=_no_sections)
    shapes_spectrum: ClassVar[bool] = True

    def start(self, lanes: int) -> tuple[Audio, Audio, Audio]:
        """Filter memories of both (left and right columns), mid and side."""
        return (
            np.zeros((len(self.both), 2, lanes * 2)),
            np.zeros((len(self.mid), 2, lanes)),
            np.zeros((len(self.side), 2, lanes)),
        )

    def apply(self, state: tuple[Audio, Audio, Audio], decision: None, lanes: Audio) -> Audio:  # noqa: ARG002
        """Filter."""
        out = lanes
        if len(self.both):
            columns = np.ascontiguousarray(lanes).reshape(len(lanes), -1)
            out = biquad.run_sections(self.both, state[0], columns).reshape(lanes.shape)
        for coefficients, memory, sign in ((self.mid, state[1], 1.0), (self.side, state[2], -1.0)):
            if len(coefficients):
                half = 0.5 * (out[..., 0] + sign * out[..., 1])
                change = biquad.run_sections(coefficients, memory, half) - half
                out = np.stack([out[..., 0] + change, out[..., 1] + sign * change], axis=-1)
        return out


@dataclass(frozen=True)
class OversampledGain(Treatment):
    """`Gain` at the oversampled rate: `(frames * factor,)` or `(frames * factor, 2)`.

    The resting gain passes beside the filters, so they colour nothing but what moves; where nothing moves
    the lanes come back bit for bit.
    """

    factor: int
    resting_gain: float = 1.0
    on_mid_and_side: bool = False
    is_gain: ClassVar[bool] = True

    @property
    def decisions_per_frame(self) -> int:  # type: ignore[override]
        """One for each oversampled frame."""
        return self.factor

    @property
    def latency_frames(self) -> int:  # type: ignore[override]
        """Both ways through the oversampling filters."""
        return oversample.latency_frames(self.factor)

    def start(self, lanes: int) -> tuple[DelayLine, Any, Any]:
        """Dry delay and the memories of both filters."""
        return (
            DelayLine(self.latency_frames, (lanes, 2)),
            oversample.start_up(self.factor, lanes * 2),
            oversample.start_down(self.factor, lanes * 2),
        )

    def apply(self, state: tuple[DelayLine, Any, Any], decision: Audio, lanes: Audio) -> Audio:
        """Treat at the oversampled rate, come back, add."""
        dry, up, down = state
        columns = np.ascontiguousarray(lanes).reshape(len(lanes), -1)
        fine = oversample.up(self.factor, up, columns).reshape(len(decision), -1, 2)
        change = oversample.down(
            self.factor, down, self._difference(fine, decision).reshape(len(decision), -1)
        )
        waited = dry.push(lanes)
        rest = waited if self.resting_gain == 1 else waited * self.resting_gain
        return rest + change.reshape(lanes.shape)

    def _difference(self, fine: Audio, decision: Audio) -> Audio:
        change = decision - self.resting_gain
        return _on_mid_and_side(fine, change) if self.on_mid_and_side else fine * _for_lanes(change)
