"""A first session from a folder of stems, for the user to edit.

The rules, all of them:

1. Every WAV, FLAC, AIFF or W64 file in the folder is a stem, in the order of the names; the stem's name
   is the file's without extension and without a leading track number ("03 Kick.wav" is "Kick").
2. A stem in a sub-folder goes to a group of that folder's name.
3. Otherwise it goes to the group one of whose words stands in its name (`WORDS`).
4. Otherwise, or where it would be alone in its group, it goes straight to the mix bus.
5. Where the files have several rates, the session asks for the most usual one.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from typing import TYPE_CHECKING, Any

from busproc.errors import InputError
from busproc.files import inspect

if TYPE_CHECKING:
    from pathlib import Path

AUDIO = {".wav", ".flac", ".aif", ".aiff", ".w64"}

WORDS = {
    "drums": "kick snare tom toms hat hihat ride crash cymbal cymbals overhead overheads drum drums room",
    "percussion": "shaker tambourine conga bongo clap claps cowbell block triangle percussion perc",
    "bass": "bass sub tuba contrabass",
    "mallets": "marimba vibraphone xylophone glockenspiel mallet mallets",
    "guitars": "guitar guitars gtr banjo mandolin ukulele",
    "keys": "piano organ keys rhodes clavinet synth pad harpsichord",
    "brass": "horn horns trumpet trombone flugelhorn flugelhorns brass",
    "winds": "flute clarinet oboe bassoon sax saxophone winds",
    "strings": "violin violins viola violas cello cellos strings",
    "voices": "vocal vocals vox voice voices choir lead backing double doubles",
    "effects": "fx effects noise riser",
}
"""Words in a file's name, and the group they lead to; the first group that fits is taken."""


def draft_session(folder: Path, song: str | None = None) -> str:
    """Write a session for a folder of stems as JSON text, with paths from inside that folder.

    Raises
    ------
    InputError
        When there is no such folder, or no stem in it.
    """
    files = _stems(folder)
    infos = [inspect(file) for file in files]
    names = _names(files)
    groups = _groups(folder, files, names)
    stems: list[dict[str, Any]] = [
        {"name": name, "file": file.relative_to(folder).as_posix()} | ({"group": group} if group else {})
        for name, file, group in zip(names, files, groups, strict=True)
    ]
    rates = Counter(info.rate_hz for info in infos)
    used = dict.fromkeys(group for group in groups if group)
    session = {
        "format": "busproc-session/1",
        "song": song or folder.resolve().name,
        **({"rate_hz": rates.most_common(1)[0][0]} if len(rates) > 1 else {}),
        "stems": stems,
        "groups": [{"name": group} for group in used],
        "sends": [],
        "returns": [],
        "mix_bus": {},
        "deliver": [{"what": "mix", "bits": 24}],
    }
    return json.dumps(session, indent=1, ensure_ascii=False) + "\n"


def _stems(folder: Path) -> list[Path]:
    if not folder.is_dir():
        raise InputError(f"{folder} is not a folder")
    files = [file for pattern in ("*", "*/*") for file in folder.glob(pattern)]
    found = sorted(file for file in files if file.suffix.lower() in AUDIO and not file.name.startswith("."))
    if not found:
        raise InputError(f"{folder} holds no WAV, FLAC, AIFF or W64 file")
    return found


def _names(files: list[Path]) -> list[str]:
    names: list[str] = []
    for file in files:
        plain = re.sub(r"^\d+[\s._-]+", "", file.stem)
        plain = re.sub(r"[^\w -]+", " ", plain).strip(" -")[:56] or "stem"
        count = sum(re.fullmatch(rf"{re.escape(plain)}( \d+)?", name) is not None for name in names)
        names.append(f"{plain} {count + 1}" if count else plain)
    return names


def _groups(folder: Path, files: list[Path], names: list[str]) -> list[str | None]:
    guessed = [file.parent.name if file.parent != folder else _group_of(file.stem) for file in files]
    sizes = Counter(guessed)
    return [group if group and sizes[group] > 1 and group not in names else None for group in guessed]


def _group_of(stem: str) -> str | None:
    words = set(re.findall(r"[a-z]+", re.sub(r"([a-z])([A-Z])", r"\1 \2", stem).lower()))
    return next((group for group, known in WORDS.items() if words & set(known.split())), None)
