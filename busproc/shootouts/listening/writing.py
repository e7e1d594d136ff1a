"""The files of a listening page: one page, and a script for each sound."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from busproc.errors import InputError
from busproc.files import atomic_files
from busproc.shootouts.listening.checking import refuse_faults
from busproc.shootouts.listening.encoding import Picture, as_script, picture
from busproc.shootouts.listening.model import Heard, Listening
from busproc.shootouts.listening.page import to_html

Sounds = Callable[[int, int, str], Heard]
Place = tuple[int, int, int]


def write_page(
    listening: Listening, sounds: Sounds, folder: Path, *, overwrite: bool = False
) -> tuple[Path, ...]:
    """Write `index.html` and `sounds/`, all or nothing; the same inputs give the same bytes.

    Sounds are asked for one after the other, in the order of songs, passages and variations, and none is
    kept while the next is made.

    Parameters
    ----------
    listening
        What the page names.
    sounds
        Gives the sound of a song (by index), a passage (by index) and a variation (by id).
    folder
        Where to; made if it is missing.
    overwrite
        Replace what is there under these names.

    Returns
    -------
    tuple of Path
        The page, and the script of each sound.

    Raises
    ------
    InputError
        The page has faults, a sound does not fit those beside it, or a name is taken.
    RenderError
        A sound is over full scale, or the disk refused.
    """
    refuse_faults(listening)
    (folder / "sounds").mkdir(parents=True, exist_ok=True)
    places = list(_places(listening))
    page = folder / "index.html"
    scripts = [folder / "sounds" / f"{_name(place)}.js" for place in places]
    drawn: dict[Place, Picture] = {}
    with atomic_files([*scripts, page], overwrite=overwrite) as (*parts, page_part):
        for place, part in zip(places, parts, strict=True):
            drawn[place] = _write_sound(place, listening, sounds, part)
            _refuse_other_length(place, drawn)
        page_part.write_bytes(to_html(listening, drawn).encode())
    return page, *scripts


def _places(listening: Listening) -> Iterator[Place]:
    for s, song in enumerate(listening.songs):
        for p in range(len(song.passages)):
            for v in range(len(listening.variations)):
                yield s, p, v


def _name(place: Place) -> str:
    """What the page's script calls it too."""
    return "-".join(str(each + 1) for each in place)


def _write_sound(place: Place, listening: Listening, sounds: Sounds, part: Path) -> Picture:
    s, p, v = place
    heard = sounds(s, p, listening.variations[v].id)
    if heard.sound.dtype != np.float64 or heard.sound.ndim != 2 or heard.sound.shape[1] != 2:
        raise InputError(f"{_spoken(place)}: give float64 samples of shape (frames, 2)")
    if not len(heard.sound):
        raise InputError(f"{_spoken(place)} is empty: choose a longer passage")
    part.write_bytes(as_script(_name(place), heard.sound, listening.songs[s].rate_hz))
    return picture(heard)


def _refuse_other_length(place: Place, drawn: dict[Place, Picture]) -> None:
    first = drawn[*place[:2], 0].frames
    if drawn[place].frames != first:
        raise InputError(
            f"{_spoken(place)} has {drawn[place].frames} frames, the first variation {first}: "
            "cut all variations of a passage alike"
        )


def _spoken(place: Place) -> str:
    song, passage, variation = (each + 1 for each in place)
    return f"the sound of song {song}, passage {passage}, variation {variation}"
