"""Programmes made from stated seeds, and what is done to them."""

from __future__ import annotations

import numpy as np
import soundfile as sf

from busproc.chain import Chain, process
from busproc.stages.eq import Eq
from busproc.stages.eq_bands import Shaped
from tests.measure.healthy import RATE_HZ, music


def band(shape, freq_hz, gain_db, q=0.7071):
    return Shaped(shape=shape, freq_hz=float(freq_hz), gain_db=float(gain_db), q=float(q))


EQ = (
    band("low_shelf", 110, 3),
    band("bell", 400, -2.5, 1.2),
    band("bell", 2500, 2, 0.8),
    band("high_shelf", 8000, 4),
)
"""What is done to programmes whose EQ is to be found again."""


def equalised(audio, bands=EQ, rate_hz=RATE_HZ):
    return process(Chain(stages=(Eq(bands=bands),)), audio, rate_hz)


def song(seed=1, seconds=24):
    """Invented music, no two bars alike."""
    parts = [music(seed + 10 * n) for n in range(-(-seconds // 12))]
    return np.concatenate(parts)[: seconds * RATE_HZ]


def pink(seed, seconds, side=0.4):
    """Noise of the same power in every octave, its sides partly alike."""
    frames = seconds * RATE_HZ
    lines = np.fft.rfft(np.random.default_rng(seed).standard_normal((frames, 2)), axis=0)
    freqs = np.fft.rfftfreq(frames, 1 / RATE_HZ)
    freqs[0] = freqs[1]
    mid, other = 0.05 * np.fft.irfft(lines / np.sqrt(freqs)[:, None], n=frames, axis=0).T * 50
    return np.stack([mid + side * other, mid - side * other], axis=1)


def written(folder, **sounds):
    """Files of sounds as they are, 64 bit; `name=audio` or `name=(audio, rate_hz)`."""
    paths = []
    for name, sound in sounds.items():
        audio, rate_hz = sound if isinstance(sound, tuple) else (sound, RATE_HZ)
        paths.append(folder / f"{name}.wav")
        sf.write(paths[-1], audio, rate_hz, "DOUBLE")
    return paths


def bands_of(chain, on="left_right"):
    """Bells and shelves of a chain."""
    return [each for stage in chain.stages if stage.stage == "eq" for each in stage.bands if each.on == on]
