"""What is wrong with what a session asks to be delivered: names, bundles, sets that disagree, equal files."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping

from busproc.delivery.members import RESIDUAL, bundles, heard_stems, stems_of
from busproc.delivery.orders import Delivery
from busproc.delivery.prints import MIX, Print, plan_prints, sets_of
from busproc.jsonfile import nearest
from busproc.routes import Buses
from busproc.session import Session, Stem


def order_faults(session: Session, buses: Buses, rate_hz: int) -> list[str]:
    """Every fault of versions and deliveries."""
    named = [*_version_faults(session, buses), *_name_faults(session, buses)]
    if named:
        return named
    return [*_bundle_faults(session, buses), *_file_faults(session, buses, rate_hz)]


def _version_faults(session: Session, buses: Buses) -> Iterator[str]:
    sources = [bus.name for bus in buses.values() if bus.kind in {"stems", "groups"}]
    spare = [b.name for b in buses.values() if isinstance(b.fader, Stem) and not b.fader.heard]
    for n, version in enumerate(session.versions):
        where = f"versions[{n}]"
        if version.name in {other.name for other in session.versions[:n]}:
            yield f"{where}.name: {version.name!r} is already the name of another version"
        if version.name == MIX:
            yield f"{where}.name: {MIX!r} is the mix itself; give the version another name"
        for key in ("without", "only", "trim_db"):
            for name in getattr(version, key) or ():
                if name not in sources:
                    near = nearest(name, sources)
                    yield f"{where}.{key}: {name!r} is not a stem or group of this session{near}"
        for name in version.also or ():
            if name not in spare:
                near = nearest(name, spare)
                yield f'{where}.also: {name!r} is not a stem with "heard": false of this session{near}'


def _name_faults(session: Session, buses: Buses) -> Iterator[str]:
    known = [version.name for version in session.versions]
    sources = [bus.name for bus in buses.values() if bus.kind in {"stems", "groups"}]
    for n, item in enumerate(session.deliver):
        where = f"deliver[{n}]"
        for name in item.versions or ():
            if name not in known:
                yield f"{where}.versions: {name!r} is not a version of this session{nearest(name, known)}"
        if item.what == "versions" and not known:
            yield f'{where}: this session has no versions; add some under "versions"'
        for bundle, names in item.by.items() if isinstance(item.by, Mapping) else ():
            for name in names:
                if name not in sources:
                    near = nearest(name, sources)
                    yield f"{where}.by.{bundle}: {name!r} is not a stem or group of this session{near}"


def _bundle_faults(session: Session, buses: Buses) -> Iterator[str]:
    for n, item in enumerate(session.deliver):
        yield from _clashes(n, item, buses)
        if not isinstance(item.by, Mapping):
            continue
        held = Counter(
            s for names in item.by.values() for s in {s for m in names for s in stems_of(m, buses)}
        )
        twice = [stem for stem, times in held.items() if times > 1]
        missing = [stem for stem in heard_stems(buses) if not held[stem]]
        if twice:
            yield f"deliver[{n}].by: in more than one bundle, so they would count twice: {', '.join(twice)}"
        if missing:
            yield f"deliver[{n}].by: in no bundle, so the stems would not add up: {', '.join(missing)}"


def _clashes(n: int, item: Delivery, buses: Buses) -> Iterator[str]:
    """Names that would stand for two things in one delivery."""
    if item.what != "stems":
        return
    names = list(bundles(item, buses))
    taken = {MIX: "the mix itself"} | ({RESIDUAL: "what stems lack to the mix"} if item.residual else {})
    for name in names:
        if name in taken:
            yield f"deliver[{n}]: {name!r} is {taken[name]}; give the stem or bundle another name"
    if isinstance(item.by, Mapping) and item.returns == "separate":
        for name in item.by:
            if name in buses and buses[name].kind == "returns":
                yield f"deliver[{n}].by: {name!r} is the name of a return; give the bundle another name"


def _file_faults(session: Session, buses: Buses, rate_hz: int) -> Iterator[str]:
    prints = plan_prints(session, buses, rate_hz, range(len(session.deliver)))
    first: dict[str, Print] = {}
    doubles = set()
    for each in prints:
        name = each.path.as_posix()
        other = first.setdefault(name.casefold(), each)
        if other.number != each.number:
            doubles.add(each.number)
            yield f"deliver[{each.number}]: would write the same file as deliver[{other.number}], {name}"
        elif other is not each:
            yield f"deliver[{each.number}].names: {name} would hold {other.piece!r} and {each.piece!r} both"
    for files in sets_of(prints, rate_hz).values():
        items = {each.number: each.delivery for each in files if each.number not in doubles}
        yield from _set_faults(items, rate_hz)


def _set_faults(items: dict[int, Delivery], rate_hz: int) -> Iterator[str]:
    """A set has one gain, one dither, and the mix that its stems add up to."""
    (lead, one), *others = items.items()
    told = f"{one.rate_of(rate_hz)} Hz and {one.bits} bits"
    for n, item in others:
        for key in ("dither", "if_over"):
            if getattr(item, key) != getattr(one, key):
                yield f"deliver[{n}].{key}: differs from deliver[{lead}], but files of {told} make one set"
    if any(item.what == "stems" for item in items.values()) and all(i.what != MIX for i in items.values()):
        first = next(n for n, item in items.items() if item.what == "stems")
        yield f'deliver[{first}]: stems need the mix they add up to; add {{"what": "mix"}} of {told}'
