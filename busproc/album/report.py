"""What is the same across a record, and what departs from it: figures of every song beside each other."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from busproc.album import decided
from busproc.album.departures import entered, find_departures, unit_of
from busproc.album.drive import Drive
from busproc.album.loading import Track
from busproc.album.settings import Album
from busproc.delivery import manifest
from busproc.delivery.orders import plain_name
from busproc.files import AudioReader
from busproc.measure.meter import Meter, loudness_of
from busproc.measure.spectrum import ThirdOctaves
from busproc.scratch import BLOCK_FRAMES
from busproc.stages.observe import NOMINAL_HZ

FORMAT = "busproc-record/1"

Song = dict[str, Any]


def build(album: Album, measured: Sequence[tuple[Song, Meter]], gain_db: float) -> dict[str, Any]:
    """Put the report together.

    Parameters
    ----------
    album
        What was asked for.
    measured
        What `song_figures` gives for each song, in the order of the record.
    gain_db
        Gain into the final limiter of every song.
    """
    songs = [figures for figures, _ in measured]
    return {
        "format": FORMAT,
        "album": album.album,
        "notes": album.notes,
        "calibrate": album.calibrate.model_dump() if album.calibrate else None,
        "loudness": album.loudness.model_dump() if album.loudness else None,
        "gain_db": gain_db,
        "integrated_lufs": _rounded(loudness_of(meter for _, meter in measured)),
        "songs": songs,
        "departures": find_departures(songs),
    }


def in_words(document: dict[str, Any]) -> str:
    """The report as plain text."""
    return "\n".join(_lines(document)) + "\n"


def remedy_in_words(departure: dict[str, Any]) -> str:
    """What was tried to bring a song back, and what it did."""
    remedy, unit = departure["remedy"], departure["unit"]
    if remedy is None:
        return "nothing was tried: other departures of the song are worse"
    if remedy["words"] is None:
        return "no single setting tried brought it back"
    left = f"{_signed(remedy['after'])} {unit} from the other songs"
    if not remedy["within"]:
        return f"no single setting tried brought it back; the best, {remedy['words']}, leaves it {left}"
    also = f", and with it {', '.join(remedy['also'])}" if remedy["also"] else ""
    moves = [f"{what} by {_signed(by)} {unit_of(what)}" for what, by in remedy["moves"].items()]
    but = f"; but it moves {', '.join(moves)}" if moves else ""
    return f"{remedy['words']} brings it back, {left}{also}{but}"


def song_figures(track: Track, drive: Drive, folder: Path) -> tuple[Song, Meter]:
    """Figures of one song: what its log says, and its mix measured as it stands on disk.

    Parameters
    ----------
    track, drive
        The song, and how it enters the chain.
    folder
        Where it has been delivered.
    """
    listed = manifest.load(folder)
    mix = next((each for each in listed["files"] if each["what"] == "mix"), listed["files"][0])
    meter, bands = _measured(folder / mix["file"])
    name = f"{plain_name(track.song.session.song)}.decisions.json"
    log = json.loads((folder / name).read_text(encoding="utf-8"))
    decisions = log["places"][-1]["decisions"]
    figures = {
        "number": track.number,
        "song": track.song.session.song,
        "folder": track.folder,
        "exceptions": [each.model_dump() for each in track.entry.exceptions],
        "drive": {"measured": _rounded(drive.measured), "trim_db": drive.trim_db},
        "short_term_lufs_each_s": _each_second(meter),
        "decisions": decided.in_words(decisions),
    }
    return figures | heard_figures(meter, bands, decisions), meter


def heard_figures(meter: Meter, bands: ThirdOctaves, decisions: list[dict[str, Any]]) -> Song:
    """What is compared of a sound that has left the mix bus, and of what the log says about the bus."""
    return {
        "measured": meter.reading().as_dict(),
        "third_octaves_db": _named(bands.levels_db()),
        "mono_loss_db": _losses(bands),
        "dynamics": decided.dynamics(decisions),
    }


def with_remedies(document: dict[str, Any], found: Mapping[int, Sequence[dict[str, Any]]]) -> dict[str, Any]:
    """Put what `remedies.find` found for each song, by its number, to its departures; None where untried."""
    remedies = {(number, each["what"]): each for number, tried in found.items() for each in tried}
    departures = [
        each | {"remedy": remedies.get((each["number"], each["what"]))} for each in document["departures"]
    ]
    return document | {"departures": departures}


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
            changes = ", ".join(f"{path} = {json.dumps(value)}" for path, value in exception["set"].items())
            yield f"     but {changes}: {exception['reason']}"
    yield ""
    for departure in document["departures"]:
        by = f"{departure['by']:+.1f} {departure['unit']}"
        yield f"{departure['song']}: {departure['what']} {by} from the record"
        if "remedy" in departure:
            yield f"    {remedy_in_words(departure)}"
    if not document["departures"]:
        yield "No song departs from the record."


def _signed(value: float) -> str:
    return f"{round(value, 1) + 0.0:+.1f}"  # no minus before nothing


def _shown(value: float | None) -> str:
    return "     -" if value is None else f"{value:6.1f}"
