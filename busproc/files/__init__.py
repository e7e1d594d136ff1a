"""Audio files in and out: reading with every fault named, writing, dither, atomic files, checksums."""

from busproc.files.atomic import atomic_files, folder_for
from busproc.files.checksum import sha256_file
from busproc.files.dither import count_overs, quantise
from busproc.files.info import AudioInfo
from busproc.files.reader import AudioReader, inspect
from busproc.files.wave import Bits
from busproc.files.writer import AudioWriter, open_writer

__all__ = [
    "AudioInfo",
    "AudioReader",
    "AudioWriter",
    "Bits",
    "atomic_files",
    "count_overs",
    "folder_for",
    "inspect",
    "open_writer",
    "quantise",
    "sha256_file",
]
