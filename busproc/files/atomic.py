"""Files that appear whole or not at all."""

from __future__ import annotations

import os
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from busproc.errors import InputError, RenderError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence


@contextmanager
def atomic_files(paths: Sequence[str | Path], *, overwrite: bool = False) -> Iterator[tuple[Path, ...]]:
    """Give a place beside each of `paths` to write to; rename them all when the block ends well.

    The places are hidden files, `.name.part` beside `name`. When the block ends, every one of them is on the
    disk before the first is renamed. When it ends by an exception, they are removed and nothing else has
    changed. What a killed run left behind is written over by the next.

    Parameters
    ----------
    paths
        The final names, all different, in folders that exist.
    overwrite
        Replace files that exist under these names.

    Yields
    ------
    tuple of Path
        The places to write to, in the order of `paths`.

    Raises
    ------
    InputError
        A name is taken (and not to be overwritten), is a folder, is given twice, or has no folder.
    RenderError
        A place was not written to, or the disk refused.

    Example
    -------
    >>> from tempfile import mkdtemp
    >>> final = Path(mkdtemp()) / "mix.txt"
    >>> with atomic_files([final]) as (part,):
    ...     _ = part.write_text("all of it")
    ...     print(part.name, final.exists())
    .mix.txt.part False
    >>> print(final.read_text(), part.exists())
    all of it False
    """
    finals = [Path(path) for path in paths]
    parts = tuple(path.with_name(f".{path.name}.part") for path in finals)
    _refuse_doubles(finals)
    _refuse_unusable(finals, overwrite=overwrite)
    try:
        yield parts
        _refuse_unusable(finals, overwrite=overwrite)
        _put_in_place(finals, parts)
    finally:
        for part in parts:
            part.unlink(missing_ok=True)


def folder_for(path: str | Path) -> Path:
    """A folder for results, made if it is missing.

    Raises
    ------
    InputError
        When it cannot be one.
    """
    folder = Path(path)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{folder} cannot be made a folder for the results: {error.strerror}") from None
    return folder


def _refuse_doubles(finals: list[Path]) -> None:
    for path in finals:
        if finals.count(path) > 1:
            raise InputError(f"{path} would be written twice: give each file a name of its own")


def _refuse_unusable(finals: list[Path], *, overwrite: bool) -> None:
    for path in finals:
        if not path.parent.is_dir():
            raise InputError(
                f"{path.parent} is not a folder: make it first, or choose another for {path.name}"
            )
        if path.is_dir():
            raise InputError(f"{path} is a folder: choose another name for the file")
        if path.exists() and not overwrite:
            raise InputError(f"{path} exists; add --overwrite or choose another folder")


def _put_in_place(finals: list[Path], parts: tuple[Path, ...]) -> None:
    try:
        for part in parts:
            _flush_to_disk(part)
        for path, part in zip(finals, parts, strict=True):
            part.replace(path)
        if os.name != "nt":  # Windows opens no folder
            for folder in {path.parent for path in finals}:
                _flush_to_disk(folder)
    except OSError as error:
        names = ", ".join(str(path) for path in finals)
        raise RenderError(f"could not put in place {names}: {error}") from error


def _flush_to_disk(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY if path.is_dir() else os.O_RDWR)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
