"""A first session from a folder of stems, for the user to edit.

The rules, all of them:

1. Every WAV, FLAC, AIFF or W64 file in the folder and its sub-folders (one level) is a stem, in the order
   of the names; hidden ones are not, nor lossy ones, nor those that cannot be used: they are named. Of files
   side by side whose names differ in the extension alone, the first kind that can be used is taken, in the
   order of `AUDIO`; the others are named.
2. A stem's name is the file's without extension and without a leading track number ("03 Kick.wav" is
   "Kick"); what a name may not hold becomes a space, and a name that is taken gets a number ("Kick 2").
3. A stem in a sub-folder goes to a group of that folder's name, without a leading number as well; but where
   all stems lie in one sub-folder, that one says nothing.
4. Otherwise it goes to the group one of whose words stands in its name (`WORDS`), with an s behind or not.
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

AUDIO = (".wav", ".w64", ".aiff", ".aif", ".flac")
LOSSY = (".ogg", ".mp3")

WORDS = {
    "drums": "kick snare bd sd tom hat hihat hh ride crash cymbal overhead oh drum room",
    "percussion": "shaker tambourine conga bongo cajon clap cowbell block triangle timpani percussion perc",
    "bass": "bass sub tuba contrabass",
    "mallets": "marimba vibraphone vibes xylophone glockenspiel glock mallet",
    "guitars": "guitar gtr gt banjo mandolin ukulele",
    "keys": "piano epiano organ keys synth pad harpsichord accordion celesta",
    "brass": "horn trumpet trombone flugelhorn brass",
    "winds": "flute piccolo clarinet oboe bassoon sax saxophone winds woodwind",
    "strings": "violin viola cello celli string",
    "voices": "vocal vox voice bv bgv choir lead backing harmony harmonies double",
    "effects": "fx sfx effect noise riser",
}
"""Words in a file's name, and the group they lead to; the first group that fits is taken.

Common practice, no source.
"""


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
    return as_text(session_document(folder, song, home)[0])


def session_document(folder: Path, song: str | None, home: Path) -> tuple[dict[str, Any], list[str]]:
    """What `draft_session` writes, and why any audio file is left out."""
    files, infos, left_out = find_stems(folder)
    names = _names(files)
    groups = _groups(folder, files, names)
    root, home = folder.resolve(), home.resolve()
    stems: list[dict[str, Any]] = [
        {"name": name, "file": _path_from(home, root / file.relative_to(folder))}
        | ({"group": group} if group else {})
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
    return session, left_out


def as_text(document: dict[str, Any]) -> str:
    """A settings file's text."""
    return json.dumps(document, indent=1, ensure_ascii=False) + "\n"


def find_stems(folder: Path) -> tuple[list[Path], list[AudioInfo], list[str]]:
    """The stems of a folder, what they are, and why any audio file is left out.

    Raises
    ------
    InputError
        When there is no such folder, or no stem in it.
    """
    if not folder.is_dir():
        raise InputError(f"{folder} is not a folder")
    shown = [file for pattern in ("*", "*/*") for file in folder.glob(pattern) if is_shown(file, folder)]
    left_out = [f"{file} is lossy" for file in shown if file.suffix.lower() in LOSSY]
    found: dict[Path, AudioInfo] = {}
    for file in sorted(filter(is_audio, shown), key=lambda file: (AUDIO.index(file.suffix.lower()), file)):
        try:
            found[file] = _inspected(file, found)
        except AudioFileError as error:
            left_out.append(str(error))
    if not found:
        what = "holds no WAV, FLAC, AIFF or W64 file to use, and no sub-folder with one"
        raise InputError("\n".join([f"{folder} {what}", *sorted(left_out)]))
    files = sorted(found)
    return files, [found[file] for file in files], sorted(left_out)


def is_shown(file: Path, folder: Path) -> bool:
    """Whether neither a file nor a folder between it and `folder` is hidden."""
    return not any(part.startswith(".") for part in file.relative_to(folder).parts)


def is_audio(file: Path) -> bool:
    """Whether it is a file of a kind that stems are taken from."""
    return file.suffix.lower() in AUDIO and file.is_file()


def _inspected(file: Path, found: Iterable[Path]) -> AudioInfo:
    if any("\ud800" <= letter <= "\udfff" for letter in str(file)):
        raise AudioFileError(f"{str(file)!a} is no UTF-8 text, so no file can name it: rename it")
    twin = next((other for other in found if other.with_suffix("") == file.with_suffix("")), None)
    if twin is not None:
        raise AudioFileError(f"{file} is by its name the same sound as {twin.name} beside it")
    return inspect(file)


def _path_from(home: Path, file: Path) -> str:
    return (file.relative_to(home) if file.is_relative_to(home) else file).as_posix()


def _names(files: list[Path]) -> list[str]:
    names: list[str] = []
    for file in files:
        plain = _without_number(file.stem) or "stem"
        names.append(_free(plain, {*names, MIX_BUS}))
    return names


def _without_number(text: str) -> str:
    return _allowed(re.sub(r"^\d+[\s._-]+", "", text))


def _allowed(text: str) -> str:
    """The text with all that a name may not hold made a space; accents in one piece."""
    return re.sub(r"[^\w-]+", " ", unicodedata.normalize("NFKC", text))[:56].strip(" -")


def _free(name: str, taken: Iterable[str]) -> str:
    numbered = (f"{name} {number}" for number in itertools.count(2))
    return next(each for each in itertools.chain([name], numbered) if each not in taken)


def _groups(folder: Path, files: list[Path], names: list[str]) -> list[str | None]:
    says_nothing = {folder} if len({file.parent for file in files}) > 1 else {files[0].parent}
    guessed = [
        _group_of(file.stem) if file.parent in says_nothing else _without_number(file.parent.name)
        for file in files
    ]
    sizes = Counter(guessed)
    taken = {*names, MIX_BUS}
    return [group if group and sizes[group] > 1 and group not in taken else None for group in guessed]


def _group_of(stem: str) -> str | None:
    words = set(re.findall(r"[a-z]+", re.sub(r"([a-z])([A-Z])", r"\1 \2", stem).lower()))
    singular = {word.removesuffix("s") for word in words}
    return next((group for group, known in WORDS.items() if (words | singular) & set(known.split())), None)
