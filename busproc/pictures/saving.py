"""Pictures into files, whole or not at all."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

from busproc.errors import InputError
from busproc.files.atomic import atomic_files
from busproc.pictures import style

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from matplotlib.figure import Figure


@contextmanager
def picture_file(file: Path, title: str, *, overwrite: bool = False) -> Iterator[Callable[[Figure], None]]:
    """Give what saves a figure: SVG, PNG or PDF by the suffix; the same figure gives the same bytes.

    Raises
    ------
    InputError
        Another suffix, or a file that is there already: at once, before anything is drawn.
    """
    suffix = file.suffix.lower()
    if suffix not in style.METADATA:
        raise InputError(f"{file}: a picture is a file that ends in {', '.join(style.METADATA)}")
    with atomic_files([file], overwrite=overwrite) as (part,), style.styled():
        metadata = {"Title": title, **style.METADATA[suffix]}
        yield lambda figure: figure.savefig(part, format=suffix[1:], metadata=metadata)
