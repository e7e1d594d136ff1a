"""The errors a caller may meet: each one sentence or more that says what, where and how to mend it."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path
    from typing import Self


class BusprocError(Exception):
    """Base of every error the library raises on purpose; its text is meant for the user."""


class InputError(BusprocError):
    """What was given is wrong: a file, a setting or a call. The command line exits with 2."""


class SettingsFileError(InputError):
    """A chain or session file with one or more faults, all reported at once.

    Parameters
    ----------
    path
        The file at fault.
    faults
        One line each: JSON path, what is wrong, what is allowed.
    """

    def __init__(self, path: Path | str, faults: list[str]) -> None:
        self.path = path
        self.faults = faults
        count = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
        super().__init__("\n".join([f"{path}: {count}", *(f"  {fault}" for fault in faults)]))

    def __reduce__(self) -> tuple[type[Self], tuple[Path | str, list[str]]]:
        """Pickled by what it was made from, so that it arrives whole from another process."""
        return type(self), (self.path, self.faults)


class AudioFileError(InputError):
    """An audio file that cannot be read as it stands."""


class RenderError(BusprocError):
    """The work could not be finished as asked. The command line exits with 1."""
