"""Single strokes on a lower drum, to reinforce the demo's frame drum with: same rate, same bits."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING

import numpy as np

from busproc.demo.harbour_lamps import HARBOUR_LAMPS
from busproc.demo.instruments import Take
from busproc.demo.instruments_struck import low_skin

if TYPE_CHECKING:
    from numpy.typing import NDArray

PEAK_DBFS = -6.0
_LENGTH_S, _FADE_S = 0.9, 0.2
SAMPLES = {"low_skin_1": 0.9, "low_skin_2": 1.0, "low_skin_3": 0.8}
"""Name of a sample, and how strongly it is struck: no two alike, so that none repeats at once."""


def make_samples(rate_hz: int = 48000) -> dict[str, NDArray[np.float64]]:
    """Play every sample: its name to `(frames,)`, each peaking at -6 dBFS.

    Parameters
    ----------
    rate_hz
        Sample rate, 44100 or more.
    """
    score = dataclasses.replace(HARBOUR_LAMPS, song_s=_LENGTH_S)
    samples = {}
    for seed, (name, strength) in enumerate(SAMPLES.items(), start=100):
        take = Take(score, rate_hz, np.random.Generator(np.random.PCG64(seed)))
        sound = low_skin(take, strength)[:, 0]
        fade = int(_FADE_S * rate_hz)
        sound[-fade:] *= np.arange(fade - 1.0, -1.0, -1.0) / fade
        samples[name] = sound * (math.pow(10.0, PEAK_DBFS / 20.0) / float(np.max(np.abs(sound))))
    return samples
