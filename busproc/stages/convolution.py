"""Convolution with long impulse responses, a treatment like those in `treatments`."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from busproc.kernels import fourier
from busproc.stages.treatments import Audio, Treatment


@dataclass
class ConvolveState:
    """Last block and the one that fills, spectra of earlier blocks, what leaves meanwhile."""

    sound: Audio
    spectra: Audio
    ready: Audio
    filled: int = 0
    newest: int = 0


@dataclass(frozen=True)
class Convolve(Treatment):
    """Filter by impulse responses, `same (taps,)` on each side, `cross` from each to the other.

    Decides nothing. `cross` is as long as `same`, or empty where the sides do not mix; `block_frames`, a
    power of two, divides the length. The blocks of the transform lie on the stream's own grid, so the
    size of the blocks that are fed does not matter. Latency: a block, and the response up to its middle.
    """

    same: Audio
    cross: Audio
    block_frames: int
    middle_frames: int
    shapes_spectrum: ClassVar[bool] = True

    @property
    def latency_frames(self) -> int:  # type: ignore[override]
        """Until the response's middle."""
        return self.block_frames + self.middle_frames

    @functools.cached_property
    def spectra(self) -> tuple[Audio, Audio, Audio]:
        """Spectra of both responses and the turns of the transform."""
        turns = fourier.turns_of(2 * self.block_frames)
        return fourier.spectra_of(self.same, turns), fourier.spectra_of(self.cross, turns), turns

    def start(self, lanes: int) -> ConvolveState:
        """Silence everywhere."""
        block = self.block_frames
        return ConvolveState(
            sound=np.zeros((lanes, 2 * block, 2)),
            spectra=np.zeros((lanes, len(self.same) // block, 2, 2 * block)),
            ready=np.zeros((block, lanes, 2)),
        )

    def apply(self, state: ConvolveState, decision: None, lanes: Audio) -> Audio:  # noqa: ARG002
        """Exchange sound for what is ready; filter whenever a block is full."""
        out = np.empty_like(lanes)
        block, at = self.block_frames, 0
        while at < len(lanes):
            count = min(block - state.filled, len(lanes) - at)
            now = slice(state.filled, state.filled + count)
            out[at : at + count] = state.ready[now]
            state.sound[:, block:][:, now] = lanes[at : at + count].swapaxes(0, 1)
            at, state.filled = at + count, state.filled + count
            if state.filled == block:
                self._filter(state)
        return out

    def _filter(self, state: ConvolveState) -> None:
        same, cross, turns = self.spectra
        for lane, sound in enumerate(state.sound):
            state.ready[:, lane] = fourier.convolve_block(
                sound, same, cross, state.spectra[lane], state.newest, turns
            )
            sound[: self.block_frames] = sound[self.block_frames :]
        state.filled, state.newest = 0, (state.newest + 1) % len(same)
