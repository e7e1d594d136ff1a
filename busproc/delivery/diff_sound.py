"""How far the sound of two deliveries lies apart: loudness, and by octave what is left once levels match."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from busproc.errors import InputError
from busproc.files import AudioReader
from busproc.kernels.stereo import tally
from busproc.measure.decibels import rounded
from busproc.measure.spectrum import ThirdOctaves
from busproc.progress import Progress
from busproc.scratch import BLOCK_FRAMES
from busproc.stages.observe import NOMINAL_HZ

Audio = NDArray[np.float64]
Record = dict[str, Any]
Role = tuple[str, str, int]


def role_of(record: Record) -> Role:
    """What a file is: mix, stem or version; its name; its rate."""
    return record["what"], record["piece"], record["rate_hz"]


def same_role(before: list[Record], after: list[Record]) -> list[tuple[Record, Record]]:
    """Files of the same role, of the same bits and folder where there are several.

    Parameters
    ----------
    before, after
        Records of files, from a manifest or a decision log.
    """
    ranked = sorted(
        (_other_form(old, new), i, j)
        for i, old in enumerate(before)
        for j, new in enumerate(after)
        if role_of(old) == role_of(new)
    )
    old_of: dict[int, int] = {}
    for _, i, j in ranked:
        if i not in old_of.values() and j not in old_of:
            old_of[j] = i
    return [(before[i], after[j]) for j, i in sorted(old_of.items())]


def _other_form(old: Record, new: Record) -> tuple[bool, bool]:
    return Path(old["file"]).parent != Path(new["file"]).parent, old["bits"] != new["bits"]


def sound_apart(
    before: tuple[Path, list[Record]], after: tuple[Path, list[Record]], progress: Progress
) -> list[Record]:
    """How the files of two deliveries differ in sound, those left out whose bytes are the same.

    Parameters
    ----------
    before, after
        Folder of a delivery, and the records of its files.
    progress
        Called for each file.

    Returns
    -------
    list of dict
        For each pair of the same role its files, the difference in loudness (the second less the first),
        and what `apart` finds.

    Raises
    ------
    InputError
        A file cannot be read, or is not the one that its manifest lists.
    """
    pairs = [p for p in same_role(before[1], after[1]) if p[0]["sha256"] != p[1]["sha256"]]
    found = []
    for n, (old, new) in enumerate(pairs):
        progress("comparing sound", n / len(pairs))
        _refuse_others(before[0], old)
        _refuse_others(after[0], new)
        found.append(
            {
                **{key: new[key] for key in ("what", "piece", "rate_hz")},
                "before_file": old["file"],
                "after_file": new["file"],
                **_louder(old["measured"], new["measured"]),
                **apart(before[0] / old["file"], after[0] / new["file"]),
            }
        )
    return found


def _refuse_others(folder: Path, record: Record) -> None:
    with AudioReader(folder / record["file"]) as reader:
        info = reader.info
    if (info.rate_hz, info.channels, info.frames) != (record["rate_hz"], 2, record["frames"]):
        raise InputError(
            f"{info.path} is not the file that {folder / 'delivery.json'} lists: it has {info.channels} "
            f"channels of {info.frames} frames at {info.rate_hz} Hz; put the delivered file back"
        )


def _louder(old: Record, new: Record) -> Record:
    """Difference in integrated loudness; in level where that does not exist."""
    for key, name in (("integrated_lufs", "loudness_difference_lu"), ("rms_dbfs", "level_difference_db")):
        if old[key] is not None and new[key] is not None:
            return {name: rounded(new[key] - old[key], 2)}
    return {}


def apart(before: Path, after: Path) -> Record:
    """What is left of the second file less the first once their levels match.

    The second is multiplied by the one gain that leaves the least power. Octaves are those from 31.5 Hz to
    16 kHz that the rate can hold, each of three third octaves (`ThirdOctaves`).

    Returns
    -------
    dict
        `matched_by_db`: that gain (negative: the second was louder), null where the two have nothing in
        common and stay as they are; `polarity_inverted` where it turns the second over; `octaves`: by
        nominal frequency the level of the first, of the residue, and the residue against the first in dB;
        null for silence.
    """
    gain = _least_squares_gain(before, after)
    heard: ThirdOctaves | None = None
    for rate_hz, old, new in _blocks(before, after):
        if heard is None:
            heard, residue = ThirdOctaves(rate_hz), ThirdOctaves(rate_hz)
        heard.feed(old)
        residue.feed((gain or 1.0) * new - old)
    assert heard is not None
    return {
        "matched_by_db": rounded(20 * math.log10(abs(gain)), 2) if gain else None,
        **({"polarity_inverted": True} if gain < 0 else {}),
        "octaves": {
            name: {
                "before_dbfs": rounded(level, 2),
                "residue_dbfs": rounded(left, 2),
                "residue_db": None if level is None or left is None else rounded(left - level, 2),
            }
            for (name, level), left in zip(_octaves(heard).items(), _octaves(residue).values(), strict=True)
        },
    }


def _least_squares_gain(before: Path, after: Path) -> float:
    sums = np.zeros(4)
    for _, old, new in _blocks(before, after):
        tally(np.stack([old, new], axis=-1).reshape(-1), sums)
    return float(sums[2] / sums[1]) if sums[2] else 0.0


def _blocks(before: Path, after: Path) -> Iterator[tuple[int, Audio, Audio]]:
    """Rate and the next blocks of both, the shorter file followed by silence."""
    with AudioReader(before) as one, AudioReader(after) as other:
        while True:
            old, new = one.read(BLOCK_FRAMES), other.read(BLOCK_FRAMES)
            frames = max(len(old), len(new))
            if not frames:
                return
            yield one.info.rate_hz, _padded(old, frames), _padded(new, frames)


def _padded(sound: Audio, frames: int) -> Audio:
    return np.concatenate([sound, np.zeros((frames - len(sound), 2))])


def _octaves(bands: ThirdOctaves) -> dict[str, float | None]:
    """Level of each octave by its nominal frequency, 20 Hz left over below."""
    levels = dict(zip(NOMINAL_HZ, bands.levels_db(), strict=False))
    made = {}
    for centre in range(2, len(levels), 3):
        thirds = [levels.get(name) for name in NOMINAL_HZ[centre - 1 : centre + 2]]
        power = math.fsum(math.pow(10, level / 10) for level in thirds if level is not None)
        made[NOMINAL_HZ[centre]] = 10 * math.log10(power) if power else None
    return made
