"""What changed between two chains, sessions, decision logs or deliveries."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from busproc import decisions
from busproc.chain import Chain, load_chain
from busproc.delivery import manifest, recall_files
from busproc.delivery.diff_decisions import chains_of, other_inputs, other_versions, told
from busproc.delivery.diff_settings import Change, Place, changes
from busproc.delivery.diff_sound import same_role, sound_apart
from busproc.errors import InputError, SettingsFileError
from busproc.jsonfile import load_settings, read_object
from busproc.progress import Progress, silently
from busproc.routes import MIX_BUS
from busproc.session import Session

FORMAT = "busproc-diff/1"

Record = dict[str, Any]


@dataclass(frozen=True)
class Side:
    """What one of the two holds: settings, chains by place, what was decided, what was written."""

    settings: Record
    chains: Mapping[str, Record] = field(default_factory=dict)
    log: Record | None = None
    folder: Path | None = None

    @property
    def files(self) -> list[Record]:
        """Records of what was written."""
        found: list[Record] = self.log["deliveries"] if self.log else []
        return found


def diff(before: Path | str, after: Path | str, progress: Progress = silently) -> Record:
    """Tell what changed.

    Parameters
    ----------
    before, after
        Two chain files, session files, decision logs, or folders of deliveries.
    progress
        Called for each sound that is compared.

    Returns
    -------
    dict
        JSON values; lists and objects of what did not change are empty. `diff_words.in_words` puts them
        into words.

    Raises
    ------
    InputError
        When they are not two of a kind, or one cannot be read.
    """
    before, after = Path(before), Path(after)
    kinds = [_kind(before), _kind(after)]
    if kinds[0] != kinds[1]:
        raise InputError(
            f"{before} is a {kinds[0]} and {after} a {kinds[1]}; "
            f"give two of a kind: {', '.join(f'two {kind}s' for kind in SIDES)}"
        )
    old, new = (SIDES[kinds[0]](path) for path in (before, after))
    return {
        "format": FORMAT,
        "kind": kinds[0],
        "before": str(before),
        "after": str(after),
        "settings": [asdict(change) for change in settings_changes(old, new)],
        **(_logged(old.log, new.log) if old.log and new.log else {}),
        **({"files": _files(old.files, new.files)} if old.log else {}),
        **(
            {"sound": sound_apart((old.folder, old.files), (new.folder, new.files), progress)}
            if old.folder and new.folder
            else {}
        ),
    }


def settings_changes(old: Side, new: Side) -> Iterator[Change]:
    """Settings that differ: those of the session, then of the chains of places that both have."""
    yield from changes(old.settings, new.settings)
    for place, chain in new.chains.items():
        if place in old.chains:
            yield from changes(old.chains[place], chain, Place(place, place))


def _logged(old: Record, new: Record) -> Record:
    return {
        "inputs": other_inputs(old, new),
        "made_with": other_versions(old["versions"], new["versions"]),
        "decisions": [asdict(each) for each in told(old, new)],
    }


def _files(old: list[Record], new: list[Record]) -> Record:
    """Written files by name: those of one side only, and those of a role whose bytes differ."""
    pairs = same_role(old, new)
    kept, now = {a["file"] for a, _ in pairs}, {b["file"] for _, b in pairs}
    return {
        "of": len(pairs),
        "only_before": [each["file"] for each in old if each["file"] not in kept],
        "only_after": [each["file"] for each in new if each["file"] not in now],
        "other_bytes": [b["file"] for a, b in pairs if a["sha256"] != b["sha256"]],
    }


def _kind(path: Path) -> str:
    if path.is_dir():
        manifest.load(path)
        return "delivery folder"
    found = read_object(path).get("format")
    kinds = {
        Chain.model_fields["format"].default: "chain file",
        Session.model_fields["format"].default: "session file",
        decisions.FORMAT: "decision log",
    }
    if found in kinds:
        return kinds[found]
    if found == manifest.FORMAT:
        raise SettingsFileError(path, ["is the manifest of a delivery; give the folder it lies in"])
    what = "missing" if found is None else f"this is {json.dumps(found)}"
    raise SettingsFileError(path, [f"format: {what}; busproc compares {', '.join(map(json.dumps, kinds))}"])


def _of_chain(path: Path) -> Side:
    return Side(_dump(load_chain(path)))


def _of_session(path: Path) -> Side:
    session = load_settings(path, Session)
    return Side(_dump(session), _chains(session, path.parent))


def of_log(log: Record, folder: Path | None = None) -> Side:
    """What a decision log holds."""
    return Side(log["session"], chains_of(log), log, folder)


def _of_log_file(path: Path) -> Side:
    return of_log(decisions.load(path))


def _of_delivery(folder: Path) -> Side:
    """Settings from the recall, whose names for chain files mean nothing."""
    session = load_settings(folder / recall_files.SESSION, Session)
    settings = _dump(session)
    for fader in _faders(settings).values():
        del fader["chain"]
    chains = _chains(session, (folder / recall_files.SESSION).parent)
    return Side(settings, chains, load_log(folder), folder)


def load_log(folder: Path) -> Record:
    """The decision log of a delivery.

    Raises
    ------
    SettingsFileError
        When there is none.
    """
    listed = [name for name in manifest.load(folder)["beside"] if name.endswith(".decisions.json")]
    if not listed:
        raise SettingsFileError(folder / manifest.NAME, ["lists no decision log, so it is no whole manifest"])
    return decisions.load(folder / listed[0])


def _chains(session: Session, folder: Path) -> dict[str, Record]:
    return {
        place: _dump(load_chain(folder / fader["chain"]) if fader["chain"] else Chain())
        for place, fader in _faders(_dump(session)).items()
    }


def _faders(settings: Record) -> dict[str, Record]:
    """Whatever can have a chain, by place."""
    kinds = ("stems", "groups", "returns")
    return {f"{kind}.{each['name']}": each for kind in kinds for each in settings[kind]} | {
        MIX_BUS: settings[MIX_BUS]
    }


def _dump(settings: Chain | Session) -> Record:
    return settings.model_dump(mode="json", by_alias=True, exclude={"schema_"})


SIDES = {
    "chain file": _of_chain,
    "session file": _of_session,
    "decision log": _of_log_file,
    "delivery folder": _of_delivery,
}
