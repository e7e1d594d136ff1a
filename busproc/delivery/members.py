"""Who belongs to what: the stems of groups, bundles and versions."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from busproc.delivery.orders import Delivery, Version
from busproc.routes import Bus, Buses
from busproc.session import Session

RESIDUAL = "residual"
"""Name of the file that holds what stems lack to the mix that were bent each on its own."""


def heard_stems(buses: Buses) -> tuple[str, ...]:
    """Stems that can be heard in the mix, in the order of the session."""
    return tuple(bus.name for bus in buses.values() if bus.kind == "stems" and _is_heard(bus, buses))


def stems_of(name: str, buses: Buses) -> tuple[str, ...]:
    """A stem itself, or all stems of a group and of the groups that feed it."""
    if buses[name].kind == "stems":
        return (name,)
    return tuple(bus.name for bus in buses.values() if bus.kind == "stems" and name in list(_way(bus, buses)))


def bundles(delivery: Delivery, buses: Buses) -> dict[str, tuple[str, ...]]:
    """What each file of a stems delivery holds: names of stems, and of returns that stand for themselves."""
    heard = heard_stems(buses)
    named: dict[str, tuple[str, ...]]
    if isinstance(delivery.by, Mapping):
        named = {
            bundle: tuple(stem for name in names for stem in stems_of(name, buses))
            for bundle, names in delivery.by.items()
        }
    elif delivery.by == "group":
        named = {}
        for stem in heard:
            *_, top, _ = (stem, *_way(buses[stem], buses))
            named[top] = (*named.get(top, ()), stem)
    else:
        named = {stem: (stem,) for stem in heard}
    made = {bundle: tuple(stem for stem in heard if stem in names) for bundle, names in named.items()}
    if delivery.returns == "separate":
        made |= {
            bus.name: (bus.name,) for bus in buses.values() if bus.kind == "returns" and _is_heard(bus, buses)
        }
    return {bundle: names for bundle, names in made.items() if names}


def version_gains(version: Version, buses: Buses) -> dict[str, float]:
    """Gain of each stem of a version, those left out missing."""

    def named(names: tuple[str, ...] | None) -> set[str]:
        return {stem for name in names or () for stem in stems_of(name, buses)}

    kept = [stem for stem in heard_stems(buses) if version.only is None or stem in named(version.only)]
    gains = {stem: 1.0 for stem in [*kept, *(version.also or ())] if stem not in named(version.without)}
    for name, trim_db in (version.trim_db or {}).items():
        for stem in stems_of(name, buses):
            if stem in gains:
                gains[stem] *= 10 ** (trim_db / 20)
    return gains


def wanted_versions(session: Session, delivery: Delivery) -> list[Version]:
    """Versions that a delivery asks for."""
    every = session.versions if delivery.what == "versions" else ()
    return [v for v in every if delivery.versions is None or v.name in delivery.versions]


def _is_heard(bus: Bus, buses: Buses) -> bool:
    if bus.is_spare or bus.only_keys:
        return False
    return not any(buses[name].is_muted for name in (bus.name, *_way(bus, buses)))


def _way(bus: Bus, buses: Buses) -> Iterator[str]:
    """Names of the buses that it goes through, the mix bus last."""
    while bus.target is not None:
        yield bus.target
        bus = buses[bus.target]
