"""Impulse responses: read from files or made here, converted, trimmed, and brought to one loudness."""

from __future__ import annotations

import functools
import math
from pathlib import Path

import numpy as np

from busproc.kernels import synth
from busproc.settings import NamedFile
from busproc.stages.treatments import Audio

SILENT_DB = -90.0
"""What is further under the peak than this, at either end, is cut off."""
WEIGHED_HZ = 48000.0
LONGEST_S = 30.0
WOODEN_BOX_S = 0.5
WOODEN_BOX_MODES = 56
WOODEN_BOX_HZ = (95.0, 7000.0)


def response_of(name: NamedFile | str, rate_hz: int) -> Audio:
    """Response `(frames, 2)`, read-only: noise up to 24 kHz leaves it as loud as it came, at any rate.

    Parameters
    ----------
    name
        A file, or `wooden_box`.
    rate_hz
        The rate to which it is converted.

    Raises
    ------
    AudioFileError
        The file cannot be read, is longer than 30 s, or holds nothing but silence.
    """
    if not isinstance(name, NamedFile):
        return trimmed(weighed(wooden_box(rate_hz), rate_hz))
    from busproc.errors import AudioFileError

    path = name.path
    try:
        there = path.stat()
    except OSError:
        there = None
    taps = _read(path, rate_hz, there and (there.st_mtime_ns, there.st_size))
    if not len(taps):
        raise AudioFileError(f"{path} holds nothing but silence; an impulse response must sound")
    return taps


@functools.lru_cache(maxsize=4)
def _read(path: Path, rate_hz: int, seen: tuple[int, int] | None) -> Audio:  # noqa: ARG001
    """As it is on disk; read again when it has changed."""
    from busproc.errors import AudioFileError
    from busproc.files import AudioReader

    with AudioReader(path) as reader:
        info = reader.info
        if info.frames > LONGEST_S * info.rate_hz:
            raise AudioFileError(
                f"{path} lasts {info.frames / info.rate_hz:.1f} s; "
                f"an impulse response may last {LONGEST_S:g} s: cut it"
            )
        sound = weighed(reader.read(info.frames), info.rate_hz)
    if info.rate_hz != rate_hz:
        import soxr

        sound = soxr.resample(sound, info.rate_hz, rate_hz, quality="VHQ") * (info.rate_hz / rate_hz)
    return trimmed(np.repeat(sound, 2, axis=1) if info.channels == 1 else sound)


def weighed(sound: Audio, rate_hz: int) -> Audio:
    """With an energy of 1 a side at 48 kHz, both taken together; at another rate with the same gain."""
    energy = math.fsum((sound * sound).ravel()) / sound.shape[1]
    return sound * math.sqrt(WEIGHED_HZ / (rate_hz * energy)) if energy else sound


def trimmed(sound: Audio) -> Audio:
    """Without what is silent at either end; read-only."""
    level = np.abs(sound).max(axis=1)
    heard = np.flatnonzero(level > level.max() * 10 ** (SILENT_DB / 20))
    taps = np.ascontiguousarray(sound[heard[0] : heard[-1] + 1] if len(heard) else sound[:0])
    taps.setflags(write=False)
    return taps


def wooden_box(rate_hz: int) -> Audio:
    """A box of thin boards, invented: modes that lie closer and die sooner the higher they are."""
    rng = np.random.default_rng(5)
    low, high = WOODEN_BOX_HZ
    steps = (np.arange(WOODEN_BOX_MODES) + 0.8 * rng.random(WOODEN_BOX_MODES)) / WOODEN_BOX_MODES
    freq_hz = [low * (high / low) ** float(step) for step in steps]
    level = np.array([(low / each) ** 0.4 for each in freq_hz])
    decay_s = np.array([0.45 * (low / each) ** 0.6 for each in freq_hz])
    gain = level[:, None] * (0.6 + 0.4 * rng.random((WOODEN_BOX_MODES, 2)))
    gain *= rng.choice([-1.0, 1.0], (WOODEN_BOX_MODES, 1))
    sound = np.zeros((round(WOODEN_BOX_S * rate_hz), 2))
    synth.add_modes(sound, 0, np.array(freq_hz), gain, decay_s, 0.0003, 0.0, WOODEN_BOX_S, rate_hz)
    return sound
