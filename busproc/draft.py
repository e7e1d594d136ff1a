"""A first session from a folder of stems, for the user to edit.

The rules, all of them:

1. Every WAV, FLAC, AIFF or W64 file in the folder and its sub-folders (one level) is a stem, in the order
   of the names; hidden ones are not, nor lossy ones, nor those that cannot be used: they are named.
2. A stem's name is the file's without extension and without a leading track number ("03 Kick.wav" is
   "Kick"); what a name may not hold becomes a space, and a name that is taken gets a number ("Kick 2").
3. A stem in a sub-folder goes to a group of that folder's name.
4. Otherwise it goes to the group one of whose words stands in its name (`WORDS`).
5. Where it would be alone in its group, or a stem has the group's name, it goes straight to the mix bus.
6. Where the files have several rates, the session asks for the most usual one.
7. Paths lead from the folder in which the session file is to stand; those of stems outside of it are whole.
"""

from __future__ import annotations

import itertools
import json
import re
import unicodedata
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Any

from busproc.errors import AudioFileError, InputError
from busproc.files import AudioInfo, inspect
from busproc.routes import MIX_BUS

if TYPE_CHECKING:
    from collections.abc import Iterable

AUDIO = {".wav", ".flac", ".aif", ".aiff", ".w64"}
LOSSY = {".ogg", ".mp3"}

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


def draft_session(folder: Path, song: str | None = None, home: Path = Path()) -> str:
    """Write a session for a folder of stems as JSON text.

    Parameters
    ----------
    folder
        Where the stems lie.
    song
        Title; the name of `home` if there is none.
    home
        Folder in which the session file will stand.

    Raises
    ------
    InputError
        When there is no such folder, or no stem in it, or one that cannot be read.
    """
    folder, home = folder.resolve(), home.resolve()
    files, infos, _ = find_stems(folder)
    names = _names(files)
    groups = _groups(folder, files, names)
    stems: list[dict[str, Any]] = [
        {"name": name, "file": _path_from(home, file)} | ({"group": group} if group else {})
        for name, file, group in zip(names, files, groups, strict=True)
    ]
    rates = Counter(info.rate_hz for info in infos)
    used = dict.fromkeys(group for group in groups if group)
    session = {
        "format": "busproc-session/1",
        "song": (song or home.name or "song")[:120],
        **({"rate_hz": rates.most_common(1)[0][0]} if len(rates) > 1 else {}),
        "stems": stems,
        "groups": [{"name": group} for group in used],
        "sends": [],
        "returns": [],
        "mix_bus": {},
        "deliver": [{"what": "mix", "bits": 24}],
    }
    return json.dumps(session, indent=1, ensure_ascii=False) + "\n"


def find_stems(folder: Path) -> tuple[list[Path], list[AudioInfo], list[str]]:
    """The stems of a folder, what they are, and why any audio file is left out.

    Raises
    ------
    InputError
        When there is no such folder, or no stem in it.
    """
    if not folder.is_dir():
        raise InputError(f"{folder} is not a folder")
    files = [file for pattern in ("*", "*/*") for file in folder.glob(pattern)]
    found: list[tuple[Path, AudioInfo]] = []
    left_out = [f"{file} is lossy" for file in sorted(files) if file.suffix.lower() in LOSSY]
    for file in sorted(file for file in files if _is_stem(file.relative_to(folder)) and file.is_file()):
        try:
            found.append((file, inspect(file)))
        except AudioFileError as error:
            left_out.append(str(error))
    if not found:
        raise InputError("\n".join([f"{folder} holds no WAV, FLAC, AIFF or W64 file to use", *left_out]))
    return [file for file, _ in found], [info for _, info in found], left_out


def _is_stem(inner: Path) -> bool:
    return inner.suffix.lower() in AUDIO and not any(part.startswith(".") for part in inner.parts)


def _path_from(home: Path, file: Path) -> str:
    return (file.relative_to(home) if file.is_relative_to(home) else file).as_posix()


def _names(files: list[Path]) -> list[str]:
    names: list[str] = []
    for file in files:
        plain = _allowed(re.sub(r"^\d+[\s._-]+", "", file.stem)) or "stem"
        names.append(_free(plain, {*names, MIX_BUS}))
    return names


def _allowed(text: str) -> str:
    """The text with all that a name may not hold made a space; accents in one piece."""
    return re.sub(r"[^\w-]+", " ", unicodedata.normalize("NFKC", text))[:56].strip(" -")


def _free(name: str, taken: Iterable[str]) -> str:
    numbered = (f"{name} {number}" for number in itertools.count(2))
    return next(each for each in itertools.chain([name], numbered) if each not in taken)


def _groups(folder: Path, files: list[Path], names: list[str]) -> list[str | None]:
    guessed = [
        _allowed(file.parent.name) if file.parent != folder else _group_of(file.stem) for file in files
    ]
    sizes = Counter(guessed)
    taken = {*names, MIX_BUS}
    return [group if group and sizes[group] > 1 and group not in taken else None for group in guessed]


def _group_of(stem: str) -> str | None:
    words = set(re.findall(r"[a-z]+", re.sub(r"([a-z])([A-Z])", r"\1 \2", stem).lower()))
    return next((group for group, known in WORDS.items() if words & set(known.split())), None)
