"""Names in a vehicle's file: which of them are taken, and whether what is referred to exists.

What the readers of all parts of a vehicle have in common; what a part means is theirs.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import TypeVar

from nightdraw import units
from nightdraw.errors import nearest
from nightdraw.fields import Fields, items, read_with
from nightdraw.places import Findings, Node
from nightdraw.vehicle import model

MAX_ITEMS = 200  # of a list: a large vehicle has some 120 fuses
NAME = re.compile(r"[A-Za-z][A-Za-z0-9-]{0,23}")
CHANNEL = "channel"
T = TypeVar("T")


class Names:
    """The names of one file, and findings for those that are taken, unknown or no names."""

    def __init__(self, findings: Findings) -> None:
        self._findings = findings
        self._names: dict[tuple[str, str], str] = {
            (CHANNEL, model.BATTERY): "the battery's channel",
            (CHANNEL, model.ALL): "the word for every channel",
        }
        self._feeds: list[str] = []  # named, whatever else is wrong with them
        self._fuses: list[str] = []
        self._buses: list[str] = []
        self._modules: list[str] = []
        self._relays: list[str] = []
        self._in_series = 1
        self._places: dict[str, Node] = {}  # of feeds' and fuses' names

    def _list(self, f: Fields, key: str, read: Callable[[Node], T | None]) -> list[T]:
        nodes = items(f.node(key), self._findings, key)
        if len(nodes) > MAX_ITEMS:
            self._findings.add(nodes[MAX_ITEMS], f"{key} has more than {MAX_ITEMS} items")
        return [found for node in nodes[:MAX_ITEMS] if (found := read(node)) is not None]

    def _name(self, f: Fields, key: str, known: list[str] | None = None) -> str | None:
        """A name that nothing else of its kind has, added to those that are known; feeds and fuses are both
        channels of a recording."""
        name = f.parsed(key, _name)
        if name is not None and known is not None:
            known.append(name)
        return None if name is None else self._own(name, f.value_place(key), key)

    def _own(self, name: str, place: Node, what: str) -> str | None:
        """The name, where nothing else of its kind has it already."""
        space = CHANNEL if what in ("feed", "fuse", "main fuse") else what
        if (space, name) in self._names:
            self._findings.add(place, f"the name {name!r} is taken by {self._names[space, name]}")
            return None
        self._names[space, name] = f"the {what} on line {place.line}"
        if space == CHANNEL:
            self._places[name] = place
        return name

    def _known(self, f: Fields, key: str, known: list[str], what: str) -> str | None:
        name = f.text(key)
        if name is None or name in known:
            return name
        hint = nearest(name[:60], known) or f"known: {', '.join(known) or 'none'}"
        self._findings.add(f.value_place(key), f"there is no {what} {units.shown(name)}", hint)
        return None

    def _words(self, f: Fields, key: str, known: tuple[str, ...]) -> tuple[str, ...]:
        found = []
        for node in items(f.node(key), self._findings, key):
            word = read_with(node, self._findings, key, str)
            if word is not None and word not in known:
                hint = nearest(word[:60], known) or f"known: {', '.join(known)}"
                self._findings.add(node, f"{key} can't have {units.shown(word)}", hint)
            elif word is not None:
                found.append(word)
        return tuple(found)


def _name(text: str) -> str:
    if NAME.fullmatch(text):
        return text
    raise ValueError(f"{units.shown(text)} is no name: a letter, then letters, digits and '-', at most 24")
