"""A sound file handled from front to end."""

from __future__ import annotations

import soundfile as sf


class SequentialFile(sf.SoundFile):  # type: ignore[misc]  # soundfile carries no types
    """A soundfile object that never seeks.

    Of a file that can seek, soundfile sets the position anew after every block. Measured with blocks of 64
    frames, that alters what Opus decodes to and takes FLAC twenty times as long; and it hides where a damaged
    file breaks off.
    """

    def seekable(self) -> bool:
        """Whether soundfile may set the position."""
        return False
