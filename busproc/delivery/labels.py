"""What files say about themselves: the bext chunk of a WAV file, the tags of a FLAC file."""

from __future__ import annotations

import importlib.metadata
from dataclasses import dataclass

from busproc.delivery.orders import Tags
from busproc.delivery.prints import MIX, Print
from busproc.files.bext import Broadcast
from busproc.song import Song


@dataclass(frozen=True)
class Labels:
    """Title, tags and place on the session's clock, for every file of a delivery."""

    song: str
    tags: Tags
    origin_s: float

    @classmethod
    def of(cls, song: Song) -> Labels:
        """Those of a song."""
        return cls(song.session.song, song.session.tags, song.origin_s)

    def broadcast(self, each: Print, rate_hz: int, first_frame: int, *, is_dithered: bool) -> Broadcast:
        """What a WAV file says."""
        bits = 32 if each.delivery.bits == "32_float" else each.delivery.bits
        dither = "; triangular dither" if is_dithered else ""
        return Broadcast(
            description=f"{self.song}, {_called(each)}",
            originator="busproc",
            reference=self.tags.isrc or "",
            date=self.tags.date or "",
            time_reference_frames=round(self.origin_s * rate_hz) + first_frame,
            coding_history=f"A=PCM,F={rate_hz},W={bits},M=stereo,T={_maker()}{dither}\r\n",
        )

    def flac(self, each: Print) -> dict[str, str]:
        """What a FLAC file says."""
        said = {
            "TITLE": self.song if each.piece == MIX else f"{self.song} ({_called(each)})",
            "ARTIST": self.tags.artist,
            "ALBUM": self.tags.album,
            "TRACKNUMBER": self.tags.track_number,
            "DATE": self.tags.date,
            "ISRC": self.tags.isrc,
            "COPYRIGHT": self.tags.copyright,
        }
        return {name: str(text) for name, text in said.items() if text is not None}


def _called(each: Print) -> str:
    return "mix" if each.delivery.what == "mix" else f"{each.delivery.what.removesuffix('s')} {each.piece}"


def _maker() -> str:
    return f"busproc {importlib.metadata.version('busproc')}"
