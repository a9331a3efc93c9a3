"""Reading a mapping's keys by a table of names: unknown, missing and badly written ones become findings.

Shared by everything that gives YAML nodes a meaning (boards, profiles). It knows units and places, and
nothing of what the keys are for. Nothing here raises: a value that is wrong is None and a finding.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import TypeVar

from nightdraw import units
from nightdraw.errors import nearest
from nightdraw.places import Findings, Mapping, Node, Refused, Scalar, Sequence, kind
from nightdraw.units import QuantityError, shown

T = TypeVar("T")


def read_scalar(node: Node | None, findings: Findings, what: str) -> Scalar | None:
    """The node if it is a text that isn't empty; else None, with a finding."""
    if isinstance(node, Scalar) and node.text:
        return node
    if node is not None and not isinstance(node, Refused):
        findings.add(node, f"{what} must have a value, not {kind(node)}")
    return None


def read_with(node: Node | None, findings: Findings, what: str, parse: Callable[[str], T]) -> T | None:
    """What `parse` makes of the node's text; its ValueError becomes a finding `WHAT: message`."""
    scalar = read_scalar(node, findings, what)
    if scalar is None:
        return None
    try:
        return parse(scalar.text)
    except QuantityError as error:
        findings.add(scalar, f"{what}: {error.message}", error.hint)
    except ValueError as error:
        findings.add(scalar, f"{what}: {error}")
    return None


def in_range(
    node: Node, findings: Findings, what: str, value: Fraction, bounds: tuple[str, str], dimension: str
) -> bool:
    """True where the value lies within the two bounds (quantities as text); else a finding."""
    low, high = (units.parse(bound, dimension) for bound in bounds)
    if low <= value <= high:
        return True
    findings.add(node, f"{what} must be {bounds[0]} .. {bounds[1]}, not {units.show(value, dimension)}")
    return False


def items(node: Node | None, findings: Findings, what: str) -> list[Node]:
    """The items of a list; none, with a finding, for anything else."""
    if isinstance(node, Sequence):
        return node.items
    if node is not None and not isinstance(node, Refused):
        findings.add(node, f"{what} must be a list, not {kind(node)}")
    return []


class Fields:
    """The keys of one mapping, checked against the known and the required names when it is made.

    `what` names the mapping in messages; known: all its keys are. For a node that is no mapping there is one
    finding and no key.
    """

    def __init__(
        self,
        node: Node | None,
        findings: Findings,
        what: str,
        known: tuple[str, ...],
        required: tuple[str, ...] = (),
    ) -> None:
        self.place = node if node is not None else Node(1, 1)
        self.what = what
        self.sound = isinstance(node, Mapping)
        self._findings = findings
        self._entries = node.entries if isinstance(node, Mapping) else {}
        self.known = set(self._entries) <= set(known)
        if not isinstance(node, Mapping):
            if node is not None and not isinstance(node, Refused):
                names = ", ".join(known)
                findings.add(node, f"{what} must be a mapping with the keys {names}, not {kind(node)}")
            return
        for entry in self._entries.values():
            if entry.key.text not in known and not findings.full():
                hint = nearest(entry.key.text[:60], known) or f"known here: {', '.join(known)}"
                findings.add(entry.key, f"unknown key {shown(entry.key.text)} in {what}", hint)
        for name in required:
            if name not in self._entries:
                findings.add(node, f"{what} lacks the key {name!r}")

    def __contains__(self, key: str) -> bool:
        return key in self._entries

    def node(self, key: str) -> Node | None:
        """The value's node, or None where the key is absent."""
        entry = self._entries.get(key)
        return entry.value if entry else None

    def key_place(self, key: str) -> Node:
        """Where the key stands; the mapping's own place where it is absent."""
        entry = self._entries.get(key)
        return entry.key if entry else self.place

    def value_place(self, key: str) -> Node:
        """Where the value stands; the mapping's own place where the key is absent."""
        entry = self._entries.get(key)
        return entry.value if entry else self.place

    def parsed(self, key: str, parse: Callable[[str], T], default: T | None = None) -> T | None:
        """`parse` of the value's text; the default where the key is absent, None where the value is wrong."""
        if key not in self._entries:
            return default
        return read_with(self._entries[key].value, self._findings, key, parse)

    def text(self, key: str, default: str | None = None) -> str | None:
        """The value as it stands."""
        return self.parsed(key, str, default)

    def quantity(
        self,
        key: str,
        dimension: str,
        bounds: tuple[str, str] | None = None,
        default: Fraction | None = None,
    ) -> Fraction | None:
        """The value as a quantity in base units, within bounds (quantities as text) if given."""
        value = self.parsed(key, lambda text: units.parse(text, dimension), default)
        if value is None or key not in self._entries or bounds is None:
            return value
        place = self._entries[key].value
        return value if in_range(place, self._findings, key, value, bounds, dimension) else None

    def choice(self, key: str, names: tuple[str, ...], default: str | None = None) -> str | None:
        """The value, which must be one of the names."""
        value = self.text(key, default)
        if value is None or value in names:
            return value
        hint = nearest(value[:60], names)
        allowed = ", ".join(names)
        self._findings.add(
            self._entries[key].value, f"{key} must be one of {allowed}, not {shown(value)}", hint
        )
        return None

    def whole(self, key: str, low: int, high: int, default: int | None = None) -> int | None:
        """The value as a whole number of low..high in plain decimal digits."""
        return self.parsed(key, lambda text: whole_number(text, low, high), default)


def whole_number(text: str, low: int, high: int) -> int:
    """A whole number of low..high (at most 20 digits) from plain decimal digits; raises ValueError."""
    if text.isascii() and text.isdigit() and len(text) <= 20 and low <= int(text) <= high:
        return int(text)
    raise ValueError(f"must be a whole number of {low} .. {high}, not {shown(text)}")
