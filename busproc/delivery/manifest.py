"""The list that lies in a delivery: every file, what it is, how it was decided, what adds up to what."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from busproc.decisions import files_named
from busproc.delivery.members import RESIDUAL, bundles, version_gains
from busproc.delivery.orders import Version
from busproc.delivery.prints import MIX, Print, sets_of
from busproc.errors import SettingsFileError
from busproc.files import sha256_file
from busproc.jsonfile import read_object
from busproc.song import Song

FORMAT = "busproc-delivery/1"
NAME = "delivery.json"
NEEDED = ("song", "treatment_sha256", "made_with", "files", "adds_up", "inputs", "beside")
"""What a manifest must hold to be checked."""

BENT_APART = (
    "on its own: free of what other stems do to it in a saturator, so that all of them add up to the mix "
    "only with the residual"
)

Record = dict[str, Any]


def build(
    song: Song,
    decisions: Record,
    prints: list[Print],
    records: list[Record],
    beside: Mapping[str, Path],
) -> Record:
    """Put the manifest together.

    Parameters
    ----------
    song
        What was delivered.
    decisions
        The decision log of the same run.
    prints, records
        Every sound file, and its record.
    beside
        Every other file of the delivery: its name, and where it stands now.
    """
    versions = {version.name: version for version in song.session.versions}
    return {
        "format": FORMAT,
        "song": song.session.song,
        "treatment_sha256": decisions["treatment_sha256"],
        "made_with": decisions["versions"],
        "files": [
            {**record, **_origin(song, each, versions)} for each, record in zip(prints, records, strict=True)
        ],
        "adds_up": list(_sums(prints, song.rate_hz)),
        "inputs": files_named(decisions["inputs"]),
        **({"left_out": _left_out(decisions["left_out"])} if "left_out" in decisions else {}),
        "beside": {name: sha256_file(path) for name, path in beside.items()},
    }


def load(folder: Path | str) -> Record:
    """Read the manifest of a delivery.

    Raises
    ------
    SettingsFileError
        When there is none, or it is not one.
    """
    path = Path(folder) / NAME
    if Path(folder).is_dir() and not path.exists():
        raise SettingsFileError(path, ["no such file; name the folder of a delivery, which holds it"])
    document = read_object(path)
    if document.get("format") != FORMAT:
        raise SettingsFileError(path, [f'is not the manifest of a delivery (its format would be "{FORMAT}")'])
    missing = [key for key in NEEDED if key not in document]
    if missing:
        raise SettingsFileError(path, [f"is not a whole manifest: {', '.join(missing)} missing"])
    return document


def _left_out(told: Record) -> list[Record]:
    """Stages that were left out because they change nothing one could hear."""
    return [{key: each[key] for key in ("place", "stage", "why")} for each in told["stages"]]


def _origin(song: Song, each: Print, versions: Mapping[str, Version]) -> Record:
    """Which stems a file holds, and by whose decisions."""
    if each.delivery.residual:
        told = "what stems bent each on its own lack to the mix" if each.piece == RESIDUAL else BENT_APART
        return {"decided_by": MIX, "bent": told}
    if each.delivery.what == "stems":
        return {"holds": list(bundles(each.delivery, song.buses)[each.piece]), "decided_by": MIX}
    if each.delivery.what == "versions":
        version = versions[each.piece]
        return {"holds": list(version_gains(version, song.buses)), "decided_by": version.decided_by}
    return {"decided_by": MIX}


def _sums(prints: list[Print], rate_hz: int) -> list[Record]:
    """Files that add up to a mix: stems of one delivery; exactly, or as well as floating point can."""
    sums = []
    for (_, bits), files in sets_of(prints, rate_hz).items():
        mixes = [each.path.as_posix() for each in files if each.delivery.what == MIX]
        for number in dict.fromkeys(each.number for each in files if each.delivery.what == "stems"):
            stems = [each.path.as_posix() for each in files if each.number == number]
            sums.append({"mix": mixes[0], "stems": stems, "exactly": bits != "32_float"})
    return sums
