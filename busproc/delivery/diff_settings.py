"""What changed between two settings documents: by JSON path, items of lists matched by what they are."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from typing import Any, Literal, TypeGuard

from busproc.settings import unit_of

Doc = Mapping[str, Any]
Pairs = list[tuple[int, int]]
Kind = Literal["changed", "added", "removed", "moved"]

SAME_KIND: dict[str, tuple[str, ...]] = {
    "stages": ("stage",),
    "bands": ("shape",),
    "side_chain": ("shape",),
    "deliver": ("what",),
    "sends": ("from", "to", "tap"),
    "ride": ("at_s",),
    "paths": ("key",),
    **dict.fromkeys(("stems", "groups", "returns", "versions"), ("name",)),
}
"""Lists of objects, and the keys in which two items must agree to be taken for the same one."""


@dataclass(frozen=True)
class Change:
    """One thing that differs.

    Attributes
    ----------
    path
        JSON path in the second document; of what was removed, in the first.
    label
        The same with tags and names of the items on the way.
    change
        What became of it.
    before, after
        Its values; of an item that moved, what it came after: tag and name, null for nothing.
    unit
        Of the values, where they are numbers with one.
    """

    path: str
    label: str
    change: Kind
    before: Any
    after: Any
    unit: str = ""


@dataclass(frozen=True)
class Place:
    """Where a comparison stands."""

    path: str = ""
    label: str = ""
    unit: str = ""

    def key(self, key: str) -> Place:
        """A key of the object here."""
        dot = "." if self.path else ""
        return Place(f"{self.path}{dot}{key}", f"{self.label}{dot}{key}", self.unit or unit_of(key))

    def item(self, number: int, item: Doc) -> Place:
        """An item of the list here."""
        return Place(f"{self.path}[{number}]", f"{self.label}[{number}]{_called(item)}")

    def change(self, change: Kind, before: Any, after: Any) -> Change:
        """What is here differs."""
        return Change(self.path, self.label, change, before, after, self.unit)


def changes(before: Doc, after: Doc, at: Place | None = None) -> Iterator[Change]:
    """Everything that differs between two objects; a missing key counts as null.

    Examples
    --------
    >>> for change in changes({"gain_db": 0.0}, {"gain_db": -1.5}):
    ...     print(change.path, change.before, change.after, change.unit)
    gain_db 0.0 -1.5 dB
    """
    at = at or Place()
    for key in dict.fromkeys([*before, *after]):
        old, new, here = before.get(key), after.get(key), at.key(key)
        if old == new:
            continue
        if isinstance(old, Mapping) and isinstance(new, Mapping):
            yield from changes(old, new, here)
        elif _is_list_of_objects(old) and _is_list_of_objects(new):
            yield from _list_changes(key, old, new, here)
        else:
            yield here.change("changed", old, new)


def matched(key: str, before: Sequence[Doc], after: Sequence[Doc]) -> Pairs:
    """Positions of items taken for the same one, in the order of the second list.

    Items must agree in kind (`SAME_KIND`). Among those, the same name of one's own goes first, then what
    differs least, then what stands nearest. Two names that differ make two things, unless all else is equal.
    """
    kinds: dict[tuple[Any, ...], tuple[list[int], list[int]]] = defaultdict(lambda: ([], []))
    for side, items in enumerate((before, after)):
        for n, item in enumerate(items):
            kinds[tuple(item.get(each) for each in SAME_KIND.get(key, ()))][side].append(n)
    pairs: Pairs = []
    for olds, news in kinds.values():
        pairs += _nearest_first(before, after, olds, news)
    return sorted(pairs, key=lambda pair: pair[1])


def _nearest_first(before: Sequence[Doc], after: Sequence[Doc], olds: list[int], news: list[int]) -> Pairs:
    ranked = sorted(
        (*apart, abs(i - j), i, j) for i in olds for j in news if (apart := _apart(before[i], after[j]))
    )
    left, right, pairs = set(olds), set(news), []
    for *_, i, j in ranked:
        if i in left and j in right:
            left.remove(i)
            right.remove(j)
            pairs.append((i, j))
    return pairs


def _apart(old: Doc, new: Doc) -> tuple[bool, int] | None:
    """How far two items of a kind are from being the same one; None where they cannot be."""
    names = {old.get("name"), new.get("name")}
    count = sum(1 for _ in changes(old, new))
    if len(names) == 2 and None not in names and count > 1:
        return None
    return len(names) == 2 or None in names, count


def _list_changes(key: str, before: Sequence[Doc], after: Sequence[Doc], at: Place) -> Iterator[Change]:
    old_of = {j: i for i, j in matched(key, before, after)}
    stayed = _in_order(list(old_of.values()))
    for n in sorted(set(range(len(before))) - set(old_of.values())):
        yield at.item(n, before[n]).change("removed", before[n], None)
    for n, item in enumerate(after):
        here, old = at.item(n, item), old_of.get(n)
        if old is None:
            yield here.change("added", None, item)
            continue
        if old not in stayed:
            yield here.change("moved", _ahead(before, old), _ahead(after, n))
        yield from changes(before[old], item, here)


def _in_order(positions: list[int]) -> set[int]:
    """Positions that still follow each other as they did; the others have moved."""
    rising = sorted(positions)
    if positions == rising:
        return set(positions)
    blocks = SequenceMatcher(None, rising, positions, autojunk=False).get_matching_blocks()
    return {positions[block.b + k] for block in blocks for k in range(block.size)}


def _ahead(items: Sequence[Doc], number: int) -> str | None:
    return _called(items[number - 1]).strip() if number else None


def _is_list_of_objects(value: Any) -> TypeGuard[list[Doc]]:
    return isinstance(value, list) and all(isinstance(item, Mapping) for item in value)


def _called(item: Doc) -> str:
    """Tag and name of an item, as they follow its position."""
    if "from" in item and "to" in item:
        return f" {item['from']} to {item['to']}"
    tag = item.get("stage") or item.get("shape") or item.get("what")
    name = item.get("name")
    return f"{f' {tag}' if tag else ''}{f' {name!r}' if name else ''}"
