"""S-expressions as KiCad writes them: nodes to text, and identifiers that stay the same from run to run."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from dataclasses import dataclass

SPACE = uuid.uuid5(uuid.NAMESPACE_URL, "nightdraw/bank/kicad")
DECIMALS = 4  # a tenth of a micrometre: finer than any board is made


class Word(str):
    """An unquoted word: `yes`, `smd`, `thru_hole`."""

    __slots__ = ()


@dataclass(frozen=True)
class Node:
    """`(name item item ...)`; items are nodes, words, strings (quoted) and numbers."""

    name: str
    items: tuple[Item, ...]


Item = Node | Word | str | float | int

YES, NO = Word("yes"), Word("no")


def node(name: str, *items: Item) -> Node:
    """A node."""
    return Node(name, items)


def identifier(*names: object) -> Node:
    """`(uuid ...)`, derived from the names: the same names have the same one."""
    return node("uuid", uuid_text(*names))


def uuid_text(*names: object) -> str:
    """The bare identifier of the names."""
    return str(uuid.uuid5(SPACE, "/".join(str(name) for name in names)))


def number(value: float) -> str:
    """A number without an exponent, a tail of zeros or a minus before nothing."""
    text = f"{value:.{DECIMALS}f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def text(root: Node) -> str:
    """The whole text, one node of nodes a line."""
    return "\n".join(_lines(root, 0)) + "\n"


def _atom(item: Item) -> str:
    if isinstance(item, Word):
        return str(item)
    if isinstance(item, str):
        escaped = item.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
        return f'"{escaped}"'
    if isinstance(item, Node):
        return "(" + " ".join([item.name, *(_atom(part) for part in item.items)]) + ")"
    return number(item)


def _lines(item: Node, depth: int) -> Iterator[str]:
    deep = any(isinstance(part, Node) and any(isinstance(x, Node) for x in part.items) for part in item.items)
    if not deep:
        yield "\t" * depth + _atom(item)
        return
    head = [item.name, *(_atom(part) for part in item.items if not isinstance(part, Node))]
    yield "\t" * depth + "(" + " ".join(head)
    for part in item.items:
        if isinstance(part, Node):
            yield from _lines(part, depth + 1)
    yield "\t" * depth + ")"
