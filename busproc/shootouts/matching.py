"""One loudness for all variations: that of the quietest, so that turning down is all that is done."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from busproc.errors import RenderError
from busproc.files import atomic_files, inspect, open_writer, quantise
from busproc.measure.meter import Meter
from busproc.progress import Progress
from busproc.shootouts.keeping import together

ALLOWED_LU = 0.05
HIGHEST_DBTP = -0.1
"""True peak of the highest variation; what dither adds stays under full scale."""

Levels = Mapping[str, float | None]


def matching_gains_db(loudness_lufs: Levels, true_peak_dbtp: Levels) -> dict[str, float]:
    """The gain for each variation, 0 dB or less, after which all are equally loud and none clips.

    Parameters
    ----------
    loudness_lufs, true_peak_dbtp
        Of each variation; None for silence, which keeps its level.

    Examples
    --------
    >>> matching_gains_db({"a": -14.0, "b": -17.0}, {"a": 1.0, "b": -3.0})
    {'a': -3.0, 'b': 0.0}
    """
    known = {name: level for name, level in loudness_lufs.items() if level is not None}
    lowest = min(known.values(), default=0.0)
    gains = {name: lowest - known.get(name, lowest) for name in loudness_lufs}
    peaks = [peak + gains[name] for name, peak in true_peak_dbtp.items() if peak is not None]
    over = max(0.0, max(peaks, default=HIGHEST_DBTP) - HIGHEST_DBTP)
    return {name: gain - over for name, gain in gains.items()}


def write_matched(kept: Path, final: Path, gain_db: float, progress: Progress) -> dict[str, Any]:
    """Write a variation at its gain as a 24-bit WAV file, dithered; returns what a meter reads off that file.

    Raises
    ------
    RenderError
        The disk refuses.
    """
    gain, at = 10 ** (gain_db / 20), 0
    with atomic_files([final], overwrite=True) as (part,):
        frames = sum(len(block) for (block,) in together(kept))
        with open_writer(part, "wav", 24, _rate_hz(kept), 2, frames) as writer:
            for (block,) in together(kept):
                progress("writing", at / frames)
                writer.write(quantise(block * gain, 24, at, dither=True))
                at += len(block)
    meter = Meter(_rate_hz(final), 2)
    for (block,) in together(final):
        meter.feed(np.ascontiguousarray(block))
    reading = meter.reading()
    return {
        "integrated_lufs": reading.integrated_lufs,
        "short_term_max_lufs": reading.short_term_max_lufs,
        "true_peak_dbtp": reading.true_peak_dbtp,
    }


def refuse_unmeasured(loudness_lufs: Levels, where: str) -> None:
    """Refuse a passage that has no loudness to be matched by.

    Raises
    ------
    RenderError
        When a variation is silent there, or the passage is too short to be measured.
    """
    if None in loudness_lufs.values():
        raise RenderError(
            f"{where}: has no loudness that could be matched: it is silent, or shorter than what is measured "
            "(0.4 s, short-term loudness 3 s); choose another passage"
        )


def refuse_unequal(loudness_lufs: Levels, where: str) -> None:
    """Refuse a passage whose variations are not equally loud.

    Raises
    ------
    RenderError
        When two of them lie further apart than 0.05 LU: near silence, where the gate of the measure bends it.
    """
    known = [level for level in loudness_lufs.values() if level is not None]
    apart = max(known, default=0.0) - min(known, default=0.0)
    if apart > ALLOWED_LU:
        raise RenderError(
            f"{where}: loudness cannot be matched, {apart:.2f} LU are left between variations; the passage "
            "is too quiet or too short to be measured, choose another"
        )


def _rate_hz(file: Path) -> int:
    return inspect(file).rate_hz
