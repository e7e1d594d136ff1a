"""What earlier runs have found out, by digests of all that it depends on."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from busproc.files import atomic_files

FOLDER = ".busproc"
FORMAT = "busproc-known/1"


class Known:
    """Findings by digest, kept in a hidden folder beside the results.

    Parameters
    ----------
    folder
        Where the results are. Findings that cannot be read are none.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder / FOLDER
        self._before = _read(self.folder / "known.json")
        self._now: dict[str, Any] = {}

    def __contains__(self, digest: str) -> bool:
        if digest in self._before:
            self._now.setdefault(digest, self._before[digest])
        return digest in self._now

    def __getitem__(self, digest: str) -> Any:
        return self._now[digest]

    def __setitem__(self, digest: str, found: Any) -> None:
        self._now[digest] = found

    def save(self, *, forget: bool = False) -> None:
        """Keep what was found; at the end of a run forget what it did not ask for."""
        self.folder.mkdir(exist_ok=True)
        found = self._now if forget else self._before | self._now
        text = json.dumps({"format": FORMAT, "found": found}, indent=1) + "\n"
        with atomic_files([self.folder / "known.json"], overwrite=True) as (part,):
            part.write_text(text, encoding="utf-8")


def _read(path: Path) -> dict[str, Any]:
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        return dict(document["found"]) if document["format"] == FORMAT else {}
    except (OSError, ValueError, KeyError, TypeError):
        return {}
