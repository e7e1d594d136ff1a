"""The name by which the log knows a file: the SHA-256 of its bytes."""

from __future__ import annotations

import hashlib
from pathlib import Path


def sha256_file(path: str | Path) -> str:
    """SHA-256 of a file as 64 hexadecimal digits, read in pieces.

    Raises
    ------
    OSError
        The file cannot be opened or read.
    """
    with Path(path).open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
