"""A record on its way: what each step finds is known to the next run, and only what is new is done."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from busproc.album import remedies, report
from busproc.album.drive import Drive, as_on_record, in_record, measure_entrance, parted, refuse_wide, trims
from busproc.album.loading import Record, Track
from busproc.album.loudness import find_gain_db, meter_limited
from busproc.album.planning import why_render
from busproc.album.reel import write_reel
from busproc.chain import Chain
from busproc.delivery.printing import print_session
from busproc.digests import mix_sha256, sha256_of
from busproc.engine import Crew
from busproc.known import Known
from busproc.measure.meter import Meter, loudness_of
from busproc.progress import Progress
from busproc.routes import MIX_BUS
from busproc.song import Song
from busproc.stages.limiter import Limiter

Document = dict[str, Any]


@dataclass(frozen=True)
class Recording:
    """A record on its way, step by step."""

    record: Record
    folder: Path
    known: Known
    crew: Crew

    def run(self) -> tuple[Document, tuple[str, ...]]:
        """Make what is not there as it should be; gives the report, and the songs that were rendered."""
        drives = self._drives()
        gain_db = self._gain_db(drives)
        songs = on_record(self.record, drives, gain_db)
        rendered = self._deliver(songs)
        document = self._report(drives, songs, gain_db)
        if self.record.album.reel:
            document["reel"] = write_reel(self.record, self.folder)
        self.known.save(forget=True)
        shutil.rmtree(self.known.folder / "sounds", ignore_errors=True)
        return document, rendered

    def _drives(self) -> list[Drive]:
        """What every song enters with; those that have not changed are not measured again."""
        tracks, calibration = self.record.tracks, self.record.album.calibrate
        keys = {track.folder: drive_key(self.record, track) for track in tracks}
        new = [track for track in tracks if keys[track.folder] not in self.known]
        by = calibration.by if calibration else "short_term_95"
        jobs = {track.folder: (track.song, by) for track in new}
        for track, found in zip(new, self.crew.each("measuring drives", measure_entrance, jobs), strict=True):
            self.known[keys[track.folder]] = found
        self.known.save()
        drives = trims([self.known[keys[track.folder]] for track in tracks], calibration)
        refuse_wide(tracks, drives)
        return drives

    def _gain_db(self, drives: Sequence[Drive]) -> float:
        """The gain into every song's final limiter; 0 where each song meets a target of its own, or none."""
        key, wanted = gain_key(self.record, drives), self.record.album.loudness
        if key is None or wanted is None:
            return 0.0
        if key not in self.known:
            sounds = self.known.folder / "sounds"
            sounds.mkdir(exist_ok=True)
            bodies = [
                in_record(parted(track.chain)[0], drive, self.record.album.calibrate)
                for track, drive in zip(self.record.tracks, drives, strict=True)
            ]
            loudest = wanted.how == "loudest_song"
            find = self._loudest_song if loudest else self._whole_record
            ceiling_dbtp = _final(self.record.tracks[0]).ceiling_dbtp
            self.known[key] = find_gain_db(
                lambda gain_db: find(bodies, gain_db, sounds), wanted, ceiling_dbtp
            )
            self.known.save()
        return float(self.known[key])

    def _loudest_song(self, bodies: list[Chain], gain_db: float, sounds: Path) -> float | None:
        """Loudness of the loudest song; songs that were there at this gain are not made again."""
        keys = [
            sha256_of([mix_sha256(track.song.with_mix_bus(body)), _final(track).settings(), gain_db])
            for track, body in zip(self.record.tracks, bodies, strict=True)
        ]
        new = [n for n, key in enumerate(keys) if key not in self.known]
        for n, meter in zip(new, self._limited(bodies, gain_db, sounds, new), strict=True):
            self.known[keys[n]] = meter.reading().integrated_lufs
        return max((found for key in keys if (found := self.known[key]) is not None), default=None)

    def _whole_record(self, bodies: list[Chain], gain_db: float, sounds: Path) -> float | None:
        """Loudness of all songs together."""
        return loudness_of(self._limited(bodies, gain_db, sounds, range(len(bodies))))

    def _limited(
        self, bodies: list[Chain], gain_db: float, sounds: Path, numbers: Sequence[int]
    ) -> list[Meter]:
        jobs = {}
        for n in numbers:
            track, body = self.record.tracks[n], bodies[n]
            kept = sounds / mix_sha256(track.song.with_mix_bus(body))
            jobs[track.folder] = (track.song, body, _final(track), gain_db, kept)
        return self.crew.each("finding the gain of the record", meter_limited, jobs)

    def _deliver(self, songs: Sequence[Song]) -> tuple[str, ...]:
        """Deliver what is not there as it should be; tells which songs were."""
        tracks = self.record.tracks
        checks = {
            track.folder: (self.folder / track.folder, song)
            for track, song in zip(tracks, songs, strict=True)
        }
        reasons = self.crew.each("looking at what is there", why_render, checks)
        jobs = {name: checks[name] for name, why in zip(checks, reasons, strict=True) if why}
        self.crew.each("rendering", _print, jobs)
        return tuple(jobs)

    def _report(self, drives: Sequence[Drive], songs: Sequence[Song], gain_db: float) -> Document:
        """Figures of every song beside each other."""
        tracks = self.record.tracks
        jobs = {
            track.folder: (track, drive, self.folder / track.folder)
            for track, drive in zip(tracks, drives, strict=True)
        }
        figures = self.crew.each("measuring what was written", _figures, jobs)
        document = report.build(self.record.album, figures, gain_db)
        return report.with_remedies(document, self._remedies(document, songs))

    def _remedies(self, document: Document, songs: Sequence[Song]) -> dict[int, list[Document]]:
        """What would bring back songs that depart, by their numbers."""
        keys: dict[int, str] = {}
        jobs = {}
        for track, song in zip(self.record.tracks, songs, strict=True):
            own = [each for each in document["departures"] if each["number"] == track.number]
            key = sha256_of([mix_sha256(song), own])
            if own:
                keys[track.number] = key
            if own and key not in self.known:
                jobs[track.folder] = track, song.buses[MIX_BUS].chain, own, self.known.folder
        found = self.crew.each("trying what would bring songs back", _remedy, jobs)
        numbers = [arguments[0].number for arguments in jobs.values()]
        for number, each in zip(numbers, found, strict=True):
            self.known[keys[number]] = each
        return {number: self.known[key] for number, key in keys.items()}


def _print(place: Path, song: Song, progress: Progress) -> None:
    print_session(song, place, overwrite=True, progress=progress)


def _figures(track: Track, drive: Drive, place: Path, progress: Progress) -> tuple[dict[str, Any], Meter]:
    progress("measuring what was written", 0.0)
    return report.song_figures(track, drive, place)


def _remedy(
    track: Track, chain: Chain, departures: list[Document], folder: Path, progress: Progress
) -> list[Document]:
    return remedies.find(track, chain, departures, folder, lambda what: progress(what, 0.0))


def drive_key(record: Record, track: Track) -> str:
    """Digest of all that a song's drive depends on."""
    calibration = record.album.calibrate
    by = calibration.by if calibration else "short_term_95"
    return sha256_of([mix_sha256(track.song.with_mix_bus(Chain())), by])


def gain_key(record: Record, drives: Sequence[Drive]) -> str | None:
    """Digest of all that the record's gain depends on; none where there is no such gain."""
    wanted = record.album.loudness
    if wanted is None or wanted.how == "per_song":
        return None
    songs = [mix_sha256(song) for song in on_record(record, drives, 0.0)]
    return sha256_of([songs, wanted.model_dump()])


def on_record(record: Record, drives: Sequence[Drive], gain_db: float) -> list[Song]:
    return [
        as_on_record(record, track, drive, gain_db)
        for track, drive in zip(record.tracks, drives, strict=True)
    ]


def _final(track: Track) -> Limiter:
    final = parted(track.chain)[1]
    assert final is not None
    return final
