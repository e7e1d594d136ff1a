"""The buses of a session and the ways between them: what feeds what, in which order they run."""

from __future__ import annotations

import graphlib
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from busproc.chain import Chain
from busproc.jsonfile import nearest
from busproc.session import Fader, Session, Stem

MIX_BUS = "mix_bus"
Kind = Literal["stems", "groups", "returns", "mix_bus"]


@dataclass(frozen=True)
class Bus:
    """A stem, group, return or the mix bus: what sums what feeds it and runs a chain."""

    name: str
    kind: Kind
    path: str
    fader: Fader
    chain: Chain
    is_spare: bool = False
    """Whether it is heard in versions only."""

    @property
    def place(self) -> str:
        """How the decision log calls it."""
        return self.name if self.kind == MIX_BUS else f"{self.kind}.{self.name}"

    @property
    def chain_path(self) -> str:
        """Where its chain stands: the place in the session, and the file."""
        return f"{self.path}.chain = {self.fader.chain}"

    @property
    def is_muted(self) -> bool:
        """Whether it is silent everywhere."""
        return bool(getattr(self.fader, "mute", False))

    @property
    def only_keys(self) -> bool:
        """Whether it feeds nothing and is only listened to by keys."""
        return isinstance(self.fader, Stem) and not self.fader.heard and not self.is_spare

    @property
    def target(self) -> str | None:
        """Name of the bus it goes to."""
        if self.kind == MIX_BUS or self.only_keys:
            return None
        return getattr(self.fader, "group", None) or MIX_BUS


Buses = dict[str, Bus]


def running_order(session: Session, buses: Buses) -> tuple[str, ...]:
    """Names of all buses, each after everything it hears.

    Raises
    ------
    graphlib.CycleError
        When sound would go round in a circle.
    """
    sorter: graphlib.TopologicalSorter[str] = graphlib.TopologicalSorter()
    for bus in buses.values():
        sorter.add(bus.name, *(key.source for _, key in bus.chain.key_inputs()))
        if bus.target is not None:
            sorter.add(bus.target, bus.name)
    for send in session.sends:
        sorter.add(send.to, send.source)
    return tuple(name for name in sorter.static_order() if name in buses)


def route_faults(session: Session, buses: Buses) -> list[str]:
    """Every name that leads nowhere, every bus that hears nothing."""
    return [*_name_faults(session, buses), *_silent_faults(session, buses)]


def _name_faults(session: Session, buses: Buses) -> Iterator[str]:
    groups = [bus.name for bus in buses.values() if bus.kind == "groups"]
    returns = [bus.name for bus in buses.values() if bus.kind == "returns"]
    anything = [bus.name for bus in buses.values() if bus.kind != "mix_bus"]
    named = [
        *((f"{b.path}.group", getattr(b.fader, "group", None), groups, "a group") for b in buses.values()),
        *(
            (f"{bus.chain_path}: {where}.from", key.source, anything, "a stem, group or return")
            for bus in buses.values()
            for where, key in bus.chain.key_inputs()
        ),
        *(
            (f"sends[{n}].from", s.source, anything, "a stem, group or return")
            for n, s in enumerate(session.sends)
        ),
        *((f"sends[{n}].to", send.to, returns, "a return") for n, send in enumerate(session.sends)),
    ]
    for where, name, known, what in named:
        if name is not None and name not in known:
            yield f"{where}: {name!r} is not {what} of this session{nearest(name, known)}"


def _silent_faults(session: Session, buses: Buses) -> Iterator[str]:
    fed = Counter(bus.target for bus in buses.values())
    fed.update(send.to for send in session.sends)
    for bus in buses.values():
        if bus.kind in {"groups", "returns"} and not fed[bus.name]:
            how = "send something to it" if bus.kind == "returns" else f'give a stem "group": "{bus.name}"'
            yield f"{bus.path}: nothing feeds {bus.name!r}; {how}, or leave it out"
    if not any(stem.heard and not stem.mute for stem in session.stems):
        yield "stems: nothing can be heard: every stem is muted or only keys"
