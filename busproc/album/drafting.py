"""A first album from a folder of songs, for the user to edit.

The rules, all of them:

1. Every sub-folder that holds stems is a song, by the rules of `busproc.draft`; hidden ones are not, nor
   those in which a record was rendered, nor those without a stem: the last two are named.
2. Songs stand in the order of their leading track numbers ("02 Low Tide" before "10 Harbour"), then those
   without, all by name, in which 2 comes before 10. More than three digits are no track number but a title.
3. A song's title is its folder's name without the track number, with spaces for underscores.
4. The session of a song stands in its folder, the album and its chain in the folder of all.
5. The shared chain is the preset `PRESET`; all else in the album is at its defaults.
"""

from __future__ import annotations

import re
import sys
import unicodedata
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from busproc.album.settings import Calibration
from busproc.draft import as_text, is_audio, is_shown, session_document
from busproc.errors import InputError
from busproc.presets import preset_path

ALBUM, CHAIN, SESSION = "album.json", "mix_bus.json", "session.json"

PRESET = "open_and_gentle"
"""A mix bus that is not heard to work, with a limiter at its end to hold what stems at unity add up to."""

TRACK_NUMBER = re.compile(r"^(\d{1,3})[\s._-]+(?=.*\w)")

HINT = (
    "Edit the title, and the order of the songs; the shared chain in "
    f"{CHAIN} (busproc presets lists others); gap_s and fades of each song, and reel for all of them as one "
    'file; loudness, such as {"how": "loudest_song", "target_lufs": -14}, where null lets the chain decide; '
    "levels, pans and groups in the session of each song."
)


@dataclass(frozen=True)
class AlbumDraft:
    """What to write, and what to tell."""

    texts: dict[Path, str]
    """Text of every file by its path: the album first, then its chain and the session of each song."""
    songs: tuple[str, ...]
    """A line for each song in the order of the record: its title, stems and groups."""
    hint: str
    """What to edit."""
    left_out: tuple[str, ...]
    """Every folder, and every file that might be a stem, that is not in it, and why."""


def draft_album(folder: Path, title: str | None = None) -> AlbumDraft:
    """Write an album for a folder of songs, each a folder of stems.

    Parameters
    ----------
    folder
        Where the songs lie, and the album is to stand.
    title
        Of the record; the name of the folder if there is none.

    Raises
    ------
    InputError
        When there is no such folder, or no song in it.
    """
    if not folder.is_dir():
        raise InputError(f"{folder} is not a folder")
    shown = sorted(path for path in folder.glob("*") if is_shown(path, folder))
    left_out = [f"{path} lies beside the songs, in none of their folders" for path in shown if is_audio(path)]
    songs: dict[Path, dict[str, Any]] = {}
    for home in sorted((path for path in shown if path.is_dir()), key=_place):
        try:
            songs[home], why = _song(home)
            left_out += why
        except InputError as error:
            left_out += str(error).splitlines()
    if not songs:
        raise _no_song(folder, left_out, is_one_song=any(map(is_audio, shown)))
    texts = {
        folder / ALBUM: as_text(_album(title or _plain(folder.resolve().name), list(songs))),
        folder / CHAIN: preset_path(PRESET).read_text(encoding="utf-8"),
        **{home / SESSION: as_text(song) for home, song in songs.items()},
    }
    lines = tuple(_in_words(number, song) for number, song in enumerate(songs.values(), 1))
    return AlbumDraft(texts, lines, HINT, tuple(left_out))


def _song(home: Path) -> tuple[dict[str, Any], list[str]]:
    if any(home.glob("*.album.json")):
        raise InputError(f"{home} holds a record that was rendered")
    return session_document(home, _title(home.name), home)


def _album(title: str, homes: list[Path]) -> dict[str, Any]:
    return {
        "format": "busproc-album/1",
        "album": title[:120],
        "chain": CHAIN,
        "songs": [{"session": f"{home.name}/{SESSION}"} for home in homes],
        "calibrate": Calibration().model_dump(),
        "loudness": None,
        "deliver": [{"what": "mix", "bits": 24}],
        "reel": False,
    }


def _no_song(folder: Path, left_out: list[str], *, is_one_song: bool) -> InputError:
    if is_one_song:
        return InputError(
            f"{folder} holds stems itself and no folder of a song: draft one song with "
            "busproc session --from, or put the stems of each song into a folder of its own"
        )
    what = "holds no song: put the stems of each into a folder of its own"
    return InputError("\n".join([f"{folder} {what}", *left_out]))


def _place(home: Path) -> tuple[int, list[str | int], str]:
    """What songs are sorted by: track number, name in natural order, and the name as it is."""
    number = TRACK_NUMBER.match(home.name)
    parts = re.split(r"(\d+)", _title(home.name).casefold())
    natural = [int(part) if n % 2 else part for n, part in enumerate(parts)]
    return int(number[1]) if number else sys.maxsize, natural, home.name


def _title(name: str) -> str:
    return _plain(TRACK_NUMBER.sub("", name, count=1))


def _plain(name: str) -> str:
    """A folder's name in words of one line, accents in one piece."""
    return unicodedata.normalize("NFC", re.sub(r"[\s_\x00-\x1f\x7f]+", " ", name)).strip() or "untitled"


def _in_words(number: int, song: dict[str, Any]) -> str:
    groups = ", ".join(group["name"] for group in song["groups"])
    count = len(song["stems"])
    stems = f"{count} stem{'' if count == 1 else 's'}"
    rate = f"; their rates differ, so the song is at {song['rate_hz']} Hz" if "rate_hz" in song else ""
    return f"{number}. {song['song']}: {stems}; {f'groups {groups}' if groups else 'no groups'}{rate}"
