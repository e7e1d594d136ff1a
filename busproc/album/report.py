"""What is the same across a record, and what departs from it: figures of every song beside each other."""

from __future__ import annotations

import json
import statistics
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

from busproc.album import decided
from busproc.album.drive import Drive
from busproc.album.loading import Record, Track
from busproc.delivery import manifest
from busproc.delivery.orders import plain_name
from busproc.files import AudioReader
from busproc.measure.meter import Meter, loudness_of
from busproc.measure.spectrum import ThirdOctaves
from busproc.scratch import BLOCK_FRAMES
from busproc.stages.observe import NOMINAL_HZ

FORMAT = "busproc-record/1"

DEPARTS = {
    "drive": ("dB", 0.1),
    "loudness": ("LU", 1.0),
    "peak to loudness": ("dB", 2.5),
    "loudness range": ("LU", 4.0),
    "low end out of the middle": ("dB", 1.0),
    "reduction": ("dB", 2.0),
    "balance": ("dB", 4.0),
}
"""How far a song may lie from the median of the record before it is named. Ours, no standard's."""

LOW_BANDS = NOMINAL_HZ[: NOMINAL_HZ.index("125")]
Song = dict[str, Any]


def build(record: Record, drives: list[Drive], gain_db: float, folder: Path) -> dict[str, Any]:
    """Put the report together from what stands in the folders of the songs."""
    songs, meters = [], []
    for track, drive in zip(record.tracks, drives, strict=True):
        figures, meter = _song(track, drive, folder / track.folder)
        songs.append(figures)
        meters.append(meter)
    album = record.album
    return {
        "format": FORMAT,
        "album": album.album,
        "notes": album.notes,
        "calibrate": album.calibrate.model_dump() if album.calibrate else None,
        "loudness": album.loudness.model_dump() if album.loudness else None,
        "gain_db": gain_db,
        "integrated_lufs": _rounded(loudness_of(meters)),
        "songs": songs,
        "departures": list(_departures(songs)),
    }


def in_words(document: dict[str, Any]) -> str:
    """The report as plain text."""
    return "\n".join(_lines(document)) + "\n"


def _song(track: Track, drive: Drive, folder: Path) -> tuple[Song, Meter]:
    """Figures of one song: what the log says, and its mix measured as it stands on disk."""
    listed = manifest.load(folder)
    mix = next((each for each in listed["files"] if each["what"] == "mix"), listed["files"][0])
    meter, bands = _measured(folder / mix["file"])
    name = f"{plain_name(track.song.session.song)}.decisions.json"
    log = json.loads((folder / name).read_text(encoding="utf-8"))
    figures = {
        "number": track.number,
        "song": track.song.session.song,
        "folder": track.folder,
        "exceptions": [each.model_dump() for each in track.entry.exceptions],
        "drive": {"measured": _rounded(drive.measured), "trim_db": drive.trim_db},
        "measured": meter.reading().as_dict(),
        "third_octaves_db": _named(bands.levels_db()),
        "mono_loss_db": _losses(bands),
        "short_term_lufs_each_s": _each_second(meter),
        "dynamics": decided.dynamics(log),
        "decisions": decided.in_words(log),
    }
    return figures, meter


def _measured(file: Path) -> tuple[Meter, ThirdOctaves]:
    with AudioReader(file) as reader:
        meter, bands = Meter(reader.info.rate_hz, reader.info.channels), ThirdOctaves(reader.info.rate_hz)
        while len(block := reader.read(BLOCK_FRAMES)):
            meter.feed(block)
            bands.feed(block)
    return meter, bands


def _each_second(meter: Meter) -> dict[str, Any]:
    """Short-term loudness once a second: the first value is that of the first `from_s` seconds."""
    lufs = meter.short_term_series().lufs[::10]
    return {"from_s": 3, "values": [_rounded(value) for value in lufs]}


def _named(levels: tuple[float | None, ...]) -> dict[str, float | None]:
    return {name: _rounded(level) for name, level in zip(NOMINAL_HZ, levels, strict=False)}


def _losses(bands: ThirdOctaves) -> dict[str, float | None]:
    """What folding to mono costs in each third octave."""
    pairs = zip(NOMINAL_HZ, bands.levels_db(), bands.mono_levels_db(), strict=False)
    return {
        name: None if both is None or mono is None else round(mono - both, 2) for name, both, mono in pairs
    }


def _departures(songs: list[Song]) -> Iterator[dict[str, Any]]:
    """Every song that lies further from the median of the record than `DEPARTS` allows."""
    for what, (unit, allowed) in DEPARTS.items():
        for detail, value_of in _values(what, songs):
            values = [value_of(song) for song in songs]
            known = [value for value in values if value is not None]
            middle = statistics.median(known) if known else 0.0
            for song, value in zip(songs, values, strict=True):
                if value is not None and abs(value - middle) > allowed:
                    yield {
                        "number": song["number"],
                        "song": song["song"],
                        "what": f"{what}{detail}",
                        "by": round(value - middle, 2),
                        "unit": unit,
                    }


Value = Callable[[Song], float | None]


def _values(what: str, songs: list[Song]) -> Iterator[tuple[str, Value]]:
    """The figures behind a word: what is added to it, and how to read it off a song."""
    if what == "drive":
        yield "", entered
    elif what == "loudness":
        yield "", lambda song: song["measured"]["integrated_lufs"]
    elif what == "peak to loudness":
        yield "", peak_to_loudness_db
    elif what == "loudness range":
        yield "", lambda song: song["measured"]["loudness_range_lu"]
    elif what == "low end out of the middle":
        yield "", lambda song: min((song["mono_loss_db"][hz] or 0.0 for hz in LOW_BANDS), default=None)
    elif what == "reduction":
        for name in dict.fromkeys(stage["stage"] for song in songs for stage in song["dynamics"]):
            yield f" of {name}", partial(_reduction_db, name)
    else:
        for hz in NOMINAL_HZ[3:-3]:
            yield f" at {hz} Hz", partial(balance_db, hz)


def _reduction_db(name: str, song: Song) -> float | None:
    """95th percentile; None for a song that does without the stage."""
    found = (stage["percentile_95_db"] for stage in song["dynamics"] if stage["stage"] == name)
    return next(found, None)


def entered(song: Song) -> float | None:
    """How loud a song enters the chain, in what `calibrate.by` measures."""
    return _sum(song["drive"]["measured"], song["drive"]["trim_db"])


def peak_to_loudness_db(song: Song) -> float | None:
    """True peak over integrated loudness."""
    return _sum(song["measured"]["true_peak_dbtp"], song["measured"]["integrated_lufs"], -1)


def balance_db(hz: str, song: Song) -> float | None:
    """A third octave against the song's own RMS level."""
    return _sum(song["third_octaves_db"].get(hz), song["measured"]["rms_dbfs"], -1)


def _sum(one: float | None, other: float | None, sign: int = 1) -> float | None:
    return None if one is None or other is None else one + sign * other


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 2)


def _lines(document: dict[str, Any]) -> Iterator[str]:
    yield document["album"]
    yield "=" * len(document["album"])
    if document["notes"]:
        yield document["notes"]
    yield ""
    whole = document["integrated_lufs"]
    told = "silent" if whole is None else f"{whole:.1f} LUFS as a whole"
    gain = (
        f"; {document['gain_db']:+.2f} dB into the final limiter of every song" if document["gain_db"] else ""
    )
    yield f"{len(document['songs'])} songs, {told}{gain}"
    yield ""
    yield " no  trim dB  drive   LUFS   dBTP   range  song"
    for song in document["songs"]:
        found, drive = song["measured"], song["drive"]
        yield (
            f"{song['number']:3d} {drive['trim_db']:+8.2f} {_shown(entered(song))} "
            f"{_shown(found['integrated_lufs'])} {_shown(found['true_peak_dbtp'])} "
            f"{_shown(found['loudness_range_lu'])}  {song['song']}"
        )
        for exception in song["exceptions"]:
            changes = ", ".join(f"{path} = {value}" for path, value in exception["set"].items())
            yield f"     but {changes}: {exception['reason']}"
    yield ""
    for departure in document["departures"]:
        by = f"{departure['by']:+.1f} {departure['unit']}"
        yield f"{departure['song']}: {departure['what']} {by} from the record"
    if not document["departures"]:
        yield "No song departs from the record."


def _shown(value: float | None) -> str:
    return "     -" if value is None else f"{value:6.1f}"
