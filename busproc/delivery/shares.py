"""Who gets which share of the mix: contributions carried apart, and the pieces that are sums of them."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field, replace

from busproc.delivery.members import RESIDUAL, bundles, heard_stems, stems_of, version_gains, wanted_versions
from busproc.delivery.orders import Delivery, Version
from busproc.routes import Bus, Buses
from busproc.session import Stem
from busproc.song import Song


@dataclass(frozen=True)
class Piece:
    """What becomes a file: a sum of lanes, each at a gain. A piece without a name is not written.

    With `is_rest` it is what all lanes together lack to the mix.
    """

    name: str
    gains: Mapping[int, float]
    is_rest: bool = False


@dataclass(frozen=True)
class Pass:
    """One streaming run with contributions in lanes, and what is made of them.

    `wholes` are pieces that add up to the mix, `singles` (of versions only) stand for themselves, both by
    their delivery; `versions` are all that keep the decisions of the mix, by their name.
    """

    lane_of: Mapping[str, int]
    wholes: Mapping[int, tuple[tuple[Piece, ...], ...]] = field(default_factory=dict)
    singles: Mapping[int, tuple[Piece, ...]] = field(default_factory=dict)
    versions: Mapping[str, Piece] = field(default_factory=dict)
    bends_apart: bool = False

    @property
    def lanes(self) -> int:
        """How many contributions are carried apart."""
        return max(self.lane_of.values(), default=0)

    def without(self, names: Collection[str]) -> Pass:
        """The same, these versions not written: another sound takes their place."""

        def unnamed(piece: Piece) -> Piece:
            return replace(piece, name="") if piece.name in names else piece

        wholes = {n: tuple(tuple(map(unnamed, whole)) for whole in self.wholes[n]) for n in self.singles}
        singles = {n: tuple(p for p in pieces if p.name not in names) for n, pieces in self.singles.items()}
        return replace(self, wholes={**self.wholes, **wholes}, singles=singles)


def version_song(song: Song, version: Version) -> Song:
    """The song as it would be if the version were the mix: what is left out is muted, trims are on faders."""
    gains = version_gains(version, song.buses)
    buses = {name: _in_version(bus, gains, version, song.buses) for name, bus in song.buses.items()}
    return replace(song, buses=buses)


def _in_version(bus: Bus, gains: Mapping[str, float], version: Version, buses: Buses) -> Bus:
    if not isinstance(bus.fader, Stem) or bus.only_keys:
        return bus
    if bus.name not in gains:
        return replace(bus, fader=bus.fader.model_copy(update={"mute": True}))
    trim_db = sum(trim for name, trim in (version.trim_db or {}).items() if bus.name in stems_of(name, buses))
    moved = {"level_db": bus.fader.level_db + trim_db, "heard": True}
    return replace(bus, fader=bus.fader.model_copy(update=moved), is_spare=False)


def plan_passes(song: Song, numbers: Collection[int]) -> tuple[Pass, ...]:
    """The streaming runs that these deliveries need: one, and more for returns or bending kept apart."""
    items = {n: song.session.deliver[n] for n in numbers}
    bent = {n: item for n, item in items.items() if item.residual}
    apart = {n: item for n, item in items.items() if item.returns == "separate" and n not in bent}
    shared = {n: item for n, item in items.items() if n not in {*bent, *apart}}
    passes = [_plan_pass(song, shared)]
    if apart:
        passes.append(_plan_pass(song, apart))
    return (*passes, *(_with_residual(_plan_pass(song, {n: item})) for n, item in bent.items()))


def _with_residual(wanted: Pass) -> Pass:
    """Stems that are bent each on its own, and what they lack to the mix."""
    rest = Piece(RESIDUAL, {}, is_rest=True)
    wholes = {n: tuple((*whole, rest) for whole in many) for n, many in wanted.wholes.items()}
    return replace(wanted, wholes=wholes, bends_apart=True)


def _plan_pass(song: Song, items: Mapping[int, Delivery]) -> Pass:
    stems = {n: bundles(item, song.buses) for n, item in items.items() if item.what == "stems"}
    versions = {
        n: wanted_versions(song.session, item) for n, item in items.items() if item.what == "versions"
    }
    carried = {v.name: v for many in versions.values() for v in many if v.decided_by == "mix" or v.compare}
    gains = {name: version_gains(version, song.buses) for name, version in carried.items()}
    lane_of = _lanes(song, list(stems.values()), list(gains.values()))

    def piece(name: str, names: Mapping[str, float]) -> Piece:
        return Piece(name, {lane_of[each]: gain for each, gain in names.items()})

    pieces = {name: piece(name, gains[name]) for name in carried}
    heard = {lane_of[stem] for stem in heard_stems(song.buses) if stem in lane_of}
    wholes = {
        n: [tuple(piece(name, dict.fromkeys(names, 1.0)) for name, names in made.items())]
        for n, made in stems.items()
    }
    singles = {}
    for n, many in versions.items():
        kept = [pieces[v.name] for v in many if v.decided_by == "mix"]
        shares = [p for p in kept if set(p.gains.values()) == {1.0} and set(p.gains) <= heard]
        wholes[n] = list(_with_rests(shares, heard))
        singles[n] = tuple(p for p in kept if p not in shares)
    return Pass(lane_of, {n: tuple(many) for n, many in wholes.items()}, singles, pieces)


def _lanes(
    song: Song, stems: list[dict[str, tuple[str, ...]]], versions: list[dict[str, float]]
) -> dict[str, int]:
    """A lane for every name that is wanted apart; names that always go together share one."""
    if not stems and not versions:
        return {}
    names = dict.fromkeys(heard_stems(song.buses))
    names |= dict.fromkeys(name for made in [*stems] for bundle in made.values() for name in bundle)
    names |= dict.fromkeys(name for gains in versions for name in gains)
    lane_of_kind: dict[object, int] = {}
    lane_of = {}
    for name in names:
        kind = (
            tuple(next((b for b, held in made.items() if name in held), None) for made in stems),
            tuple(gains.get(name, 0.0) for gains in versions),
            song.buses[name].is_spare,
        )
        lane_of[name] = lane_of_kind.setdefault(kind, len(lane_of_kind) + 1)
    return lane_of


def _with_rests(shares: list[Piece], heard: set[int]) -> Iterator[tuple[Piece, ...]]:
    """Each piece with what is missing to the mix: another piece, where one is just that."""
    left = list(shares)
    while left:
        piece = left.pop(0)
        missing = heard - set(piece.gains)
        rest = next((other for other in left if set(other.gains) == missing), None)
        if rest is None:
            rest = Piece("", dict.fromkeys(sorted(missing), 1.0))
        else:
            left.remove(rest)
        yield tuple(sorted((piece, rest), key=lambda p: min(p.gains, default=0)))
