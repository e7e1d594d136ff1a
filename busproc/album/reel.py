"""The continuous print: all mixes of a record in one file, with marks in it and a CUE sheet beside it.

Songs start on whole sectors, 1/75 s, as on a Compact Disc (IEC 60908; from memory). Where no fade is, samples
are those of the delivered mix, and silence between songs is zeros. Fades of whole numbers are dithered anew
where they change samples, and nowhere else: the noise floor stays up to the end, and no bit is cut off.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from busproc.album.loading import Record, Track
from busproc.delivery import manifest
from busproc.delivery.orders import Delivery, plain_name
from busproc.delivery.prints import MIX
from busproc.delivery.writing import read_back
from busproc.files import AudioReader, atomic_files, inspect, open_writer, quantise, sha256_file
from busproc.files.cues import Cue
from busproc.kernels.moves import fade_gain
from busproc.scratch import BLOCK_FRAMES

SECTORS_PER_S = 75
DITHER_SEED = 1
"""Another than that of the mixes, whose noise would add up with its like."""

Audio = NDArray[np.float64]


@dataclass(frozen=True)
class Laid:
    """A song in its place on the reel, in frames."""

    track: Track
    file: Path
    gap_start: int
    start: int
    frames: int

    @property
    def end(self) -> int:
        """The frame after its last."""
        return self.start + self.frames

    @property
    def title(self) -> str:
        """Title of the song."""
        return self.track.song.session.song


def write_reel(record: Record, folder: Path) -> dict[str, Any]:
    """Write the songs of a record, delivered to a folder, as one WAV file with marks, and a CUE sheet.

    Parameters
    ----------
    record
        The album; its first delivered mix decides rate and bits.
    folder
        Where its songs have been delivered; files of the reel that are there are replaced.

    Returns
    -------
    dict
        For the report: names of both files, places of the songs, what was measured in the sound file.

    Raises
    ------
    SettingsFileError
        A song has not been delivered.
    RenderError, AudioFileError
        The disk refuses, or a mix cannot be read.
    """
    mix = record.album.mix
    rate_hz = mix.rate_of(record.tracks[0].song.rate_hz)
    songs = lay_out(record.tracks, [_mix_file(folder / each.folder, mix, rate_hz) for each in record.tracks])
    title = record.album.album
    sound, sheet = (folder / name for name in reel_files(record))
    with atomic_files([sound, sheet], overwrite=True) as parts:
        _write_sound(parts[0], songs, mix, rate_hz)
        parts[1].write_bytes(cue_sheet(title, sound.name, songs, rate_hz).encode())
    return {
        "file": sound.name,
        "cue_sheet": sheet.name,
        "sha256": sha256_file(sound),
        "rate_hz": rate_hz,
        "bits": mix.bits,
        "frames": songs[-1].end,
        "songs": [{"song": each.title, "start_frame": each.start, "frames": each.frames} for each in songs],
        "measured": read_back(sound),
    }


def reel_files(record: Record) -> tuple[str, str]:
    """Names of the sound file and of the CUE sheet."""
    title, mix = record.album.album, record.album.mix
    rate_hz = mix.rate_of(record.tracks[0].song.rate_hz)
    return Delivery(bits=mix.bits).file_name(title, "reel", "01", rate_hz), f"{plain_name(title)}_reel.cue"


def lay_out(tracks: tuple[Track, ...], files: list[Path]) -> list[Laid]:
    """Give each song its place: behind the gap before it, on the next whole sector."""
    songs: list[Laid] = []
    for track, file in zip(tracks, files, strict=True):
        info = inspect(file)
        end = songs[-1].end if songs else 0
        gap = round(track.entry.gap_s * info.rate_hz) if songs else 0
        start = _sector(end + gap, info.rate_hz) * info.rate_hz // SECTORS_PER_S
        songs.append(Laid(track, file, end, start, info.frames))
    return songs


def cue_sheet(title: str, file: str, songs: list[Laid], rate_hz: int) -> str:
    """CUE sheet in its common plain form; common practice, no source.

    Text is UTF-8; a double quote in it becomes a single one. Minutes beyond 99 take three digits.
    """
    artists = [each.track.song.session.tags.artist for each in songs]
    lines = [f"PERFORMER {_quoted(artists[0])}"] if artists[0] and len(set(artists)) == 1 else []
    lines += [f"TITLE {_quoted(title)}", f"FILE {_quoted(file)} WAVE"]
    for each in songs:
        lines += _entry(each, rate_hz)
    return "".join(f"{line}\r\n" for line in lines)


def _entry(song: Laid, rate_hz: int) -> Iterator[str]:
    tags = song.track.song.session.tags
    yield f"  TRACK {song.track.number:02d} AUDIO"
    yield f"    TITLE {_quoted(song.title)}"
    if tags.artist:
        yield f"    PERFORMER {_quoted(tags.artist)}"
    if tags.isrc:
        yield f"    ISRC {tags.isrc}"
    gap, start = _sector(song.gap_start, rate_hz), _sector(song.start, rate_hz)
    if gap < start:
        yield f"    INDEX 00 {_clock(gap)}"
    yield f"    INDEX 01 {_clock(start)}"


def _quoted(text: str) -> str:
    return '"' + " ".join(text.replace('"', "'").split()) + '"'


def _sector(frame: int, rate_hz: int) -> int:
    """The first sector that starts at a frame or after it."""
    return -(-frame * SECTORS_PER_S // rate_hz)


def _clock(sector: int) -> str:
    seconds, rest = divmod(sector, SECTORS_PER_S)
    return f"{seconds // 60:02d}:{seconds % 60:02d}:{rest:02d}"


def _mix_file(folder: Path, mix: Delivery, rate_hz: int) -> Path:
    wanted = (MIX, rate_hz, mix.bits)
    listed = manifest.load(folder)["files"]
    name: str = next(f["file"] for f in listed if (f["what"], f["rate_hz"], f["bits"]) == wanted)
    return folder / name


def _write_sound(path: Path, songs: list[Laid], mix: Delivery, rate_hz: int) -> None:
    cues = [Cue(each.start, each.title) for each in songs]
    with open_writer(path, "wav", mix.bits, rate_hz, 2, songs[-1].end, cues=cues) as writer:
        for each in songs:
            for block in _silence(each.start - each.gap_start, mix):
                writer.write(block)
            for block in _sound(each, mix, rate_hz):
                writer.write(block)


def _silence(frames: int, mix: Delivery) -> Iterator[NDArray[Any]]:
    for at in range(0, frames, BLOCK_FRAMES):
        nothing = np.zeros((min(BLOCK_FRAMES, frames - at), 2))
        yield nothing if mix.bits == "32_float" else nothing.astype(np.int32)


def _sound(song: Laid, mix: Delivery, rate_hz: int) -> Iterator[NDArray[Any]]:
    entry, at = song.track.entry, 0
    fades = entry.fade_in_s * rate_hz, entry.fade_out_s * rate_hz
    with AudioReader(song.file) as reader:
        while len(block := reader.read(BLOCK_FRAMES)):
            gain = fade_gain(at, len(block), song.frames, *fades)
            yield _stored(block, gain, song.start + at, mix)
            at += len(block)


def _stored(block: Audio, gain: Audio, at_frame: int, mix: Delivery) -> NDArray[Any]:
    """A block as the file holds it: copied where the gain is 1, faded and dithered elsewhere."""
    faded = block * gain[:, None]
    if mix.bits == "32_float":
        return faded
    copied = quantise(block, mix.bits, at_frame, dither=False)
    if np.all(gain == 1.0):
        return copied
    is_dithered = mix.dither and mix.bits != 32
    stored = quantise(faded, mix.bits, at_frame, dither=is_dithered, seed=DITHER_SEED)
    return np.where(gain[:, None] < 1.0, stored, copied)
