"""What two decision logs tell apart: inputs, versions, what each stage did, what left each bus."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from busproc.decisions import files_named
from busproc.delivery.diff_settings import matched

Record = dict[str, Any]

THIRD_OCTAVE_DB = 0.5
"""Third octaves that differ by less are not told."""

FIGURES = (
    ("median_db", "median reduction", "dB"),
    ("percentile_95_db", "95th percentile of reduction", "dB"),
    ("level_change_db", "level change", "dB"),
)
LEVELS = (("integrated_lufs", "LUFS"), ("rms_dbfs", "dBFS RMS"))
IDLE_PATH = {"level_db": 0.0, "stages": []}


@dataclass(frozen=True)
class Told:
    """One figure of one place that differs. `figure` says what it is; a spectrum has a value a band."""

    place: str
    label: str
    figure: str
    before: Any
    after: Any
    unit: str = ""


def other_inputs(before: Record, after: Record) -> list[Record]:
    """Files of stems of both that have other bytes."""
    return changed_files(files_named(before["inputs"]), files_named(after["inputs"]))


def changed_files(before: list[Record], after: list[Record]) -> list[Record]:
    """Files of other bytes, each held against the one in its place: a stem's first, second and so on."""
    olds, news = _by_place(before), _by_place(after)
    return [
        {
            "name": place[0],
            "file": news[place]["file"],
            "before_sha256": old["sha256"],
            "after_sha256": news[place]["sha256"],
        }
        for place, old in olds.items()
        if place in news and news[place]["sha256"] != old["sha256"]
    ]


def _by_place(files: list[Record]) -> dict[tuple[str, int], Record]:
    seen: Counter[str] = Counter()
    placed = {}
    for each in files:
        placed[each["name"], seen[each["name"]]] = each
        seen[each["name"]] += 1
    return placed


def other_versions(before: Mapping[str, str], after: Mapping[str, str]) -> dict[str, list[str | None]]:
    """Programs in which the two were not made with the same version: that of the first, of the second."""
    return {
        name: [before.get(name), after.get(name)]
        for name in dict.fromkeys([*before, *after])
        if before.get(name) != after.get(name)
    }


def chains_of(log: Record) -> dict[str, Record]:
    """The chain of each place, as far as a log holds it: without conditions and words of their own."""
    return {each["place"]: {"stages": [*map(_stage, each["decisions"])]} for each in log["places"]}


def _stage(record: Record) -> Record:
    settings = _without_conditions(record["settings"])
    stage = {"stage": record["stage"], "name": record.get("name"), **settings}
    edges_hz = stage.pop("up_to_hz", []) if "branches" in record else []
    for branch in record.get("branches", []):
        path = _path(branch)
        key = path.pop("key")
        if branch["step"] == key:
            stage[key] = None if path == IDLE_PATH else path
        else:
            stage.setdefault(key, []).append(path)
    for band, edge_hz in zip(stage.get("bands", []), edges_hz, strict=False):
        band["up_to_hz"] = edge_hz
    return stage


def _path(branch: Record) -> Record:
    """A path of a composite, and the key of the stage's settings under which it stands."""
    return {
        "key": branch["step"].partition("[")[0],
        "level_db": branch["level_db"],
        "stages": [*map(_stage, branch["decisions"])],
    }


def _without_conditions(settings: Record) -> Record:
    """A stage that was not needed is logged with conditions of stages inside, one that ran without."""
    bare: Record = json.loads(
        json.dumps(settings), object_hook=lambda each: {k: v for k, v in each.items() if k != "when"}
    )
    return bare


def told(before: Record, after: Record) -> Iterator[Told]:
    """Every figure that differs, in the order of the second log. Decibels differ by 0.01 dB or more.

    Parameters
    ----------
    before, after
        Decision logs, from `decisions.load`.
    """
    if before["frames"] != after["frames"]:
        yield Told("song", "song", "length", before["frames"], after["frames"], "frames")
    olds = {each["place"]: each for each in before["places"]}
    for new in after["places"]:
        name = new["place"]
        if name in olds:
            yield from _series(olds[name]["decisions"], new["decisions"])
            yield from _left_at(name, olds[name]["left_at"], new["left_at"])
    trims, others = (_trims(log["deliveries"]) for log in (before, after))
    for name in trims:
        if trims[name] != others.get(name, trims[name]):
            yield Told("deliver", name, "trim", trims[name], others[name], "dB")


def _trims(files: list[Record]) -> dict[str, float]:
    """Gain of each set of files."""
    return {f"written at {each['rate_hz']} Hz, {each['bits']} bits": each["trim_db"] for each in files}


def _left_at(place: str, old: Record, new: Record) -> Iterator[Told]:
    for key, unit in LEVELS:
        if old[key] is not None and new[key] is not None:
            if old[key] != new[key]:
                yield Told(place, place, "leaves at", old[key], new[key], unit)
            return
    if (old["rms_dbfs"] is None) != (new["rms_dbfs"] is None):
        yield Told(place, place, "leaves at", old["rms_dbfs"], new["rms_dbfs"], "dBFS RMS")


def _series(olds: list[Record], news: list[Record]) -> Iterator[Told]:
    pairs = matched("stages", [*map(_stage, olds)], [*map(_stage, news)])
    old_of = {j: olds[i] for i, j in pairs}
    for n, new in enumerate(news):
        if n in old_of:
            yield from _stages(old_of[n], new)
        else:
            yield Told(new["place"], label_of(new), "added", None, new["why"])


def _stages(old: Record, new: Record) -> Iterator[Told]:
    place, label = new["place"], label_of(new)
    if old["verdict"] != new["verdict"]:
        yield Told(place, label, "verdict", old["verdict"], new["verdict"])
    yield from _figures(place, label, _did(old), _did(new))
    bands = _other_bands(_third_octaves(old), _third_octaves(new))
    if bands:
        was, now = ({name: pair[side] for name, pair in bands.items()} for side in (0, 1))
        yield Told(place, label, "third octaves", was, now, "dB")
    paths, others = (record.get("branches", []) for record in (old, new))
    for i, j in matched("paths", [*map(_path, paths)], [*map(_path, others)]):
        yield from _series(paths[i]["decisions"], others[j]["decisions"])


def _figures(place: str, label: str, old: Record, new: Record) -> Iterator[Told]:
    for key, figure, unit in FIGURES:
        if old.get(key) is not None and new.get(key) is not None and old[key] != new[key]:
            yield Told(place, label, figure, old[key], new[key], unit)
    bells = {bell["band"]: bell for bell in old.get("dynamic_bells", [])}
    for bell in new.get("dynamic_bells", []):
        if bell["band"] in bells:
            yield from _figures(place, f"{label}, {bell['band']}", bells[bell["band"]], bell)


def _did(record: Record) -> Record:
    """What a stage did; its change of level is worked out where it is not among it."""
    did = dict(record.get("did", {}))
    if "level_change_db" not in did and "before" in record:
        was, now = record["before"]["rms_dbfs"], record["after"]["rms_dbfs"]
        did["level_change_db"] = None if was is None or now is None else round(now - was, 2)
    return did


def _third_octaves(record: Record) -> Record:
    """Change of each third octave by a stage."""
    if "third_octave_change_db" in record.get("did", {}):
        found: Record = record["did"]["third_octave_change_db"]
        return found
    was, now = (record.get(side, {}).get("third_octaves_db", {}) for side in ("before", "after"))
    return {
        name: round(now[name] - was[name], 1)
        for name in was
        if was[name] is not None and now.get(name) is not None
    }


def _other_bands(old: Record, new: Record) -> dict[str, tuple[float, float]]:
    return {
        name: (old[name], new[name])
        for name in old
        if name in new and round(abs(new[name] - old[name]), 2) >= THIRD_OCTAVE_DB
    }


def label_of(record: Record) -> str:
    """A stage's place, tag and name."""
    name = f" {record['name']!r}" if "name" in record else ""
    return f"{record['place']} {record['stage']}{name}"
