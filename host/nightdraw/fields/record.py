"""A mapping's table of fields, and what is read by it: all that is wrong in it becomes findings in one go.

Keys that belong together are rules of the table (`When`, `ExactlyOne`), so that the schema says them too.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from nightdraw.fields.forms import ByKey, Defs, Form
from nightdraw.fields.mapping import Fields
from nightdraw.places import Findings, Node, Refused, Scalar


@dataclass(frozen=True)
class Field:
    """A key: what its value may be, what it means (for people), and what holds where it is absent.

    default: as it would stand in the file; otherwise: in words, where the reader works it out, and what it
    has `instead` until then. to: the model's name for it, the key's own unless given.
    """

    key: str
    form: Form
    meaning: str
    needed: bool = False
    default: str | None = None
    otherwise: str = ""
    instead: Any = None
    to: str = ""

    @property
    def name(self) -> str:
        """What the model calls it."""
        return self.to or self.key

    def absent(self) -> Any:
        """Its value where the file doesn't say it."""
        if self.default is None:
            return self.instead
        findings = Findings("the table of fields")
        value = self.form.read(Scalar(1, 1, self.default), findings, self.key)
        findings.stop()
        return value


@dataclass(frozen=True)
class When:
    """With `key: value` these keys are needed; with another value the keys of `only` mean nothing."""

    key: str
    value: str
    needs: tuple[str, ...] = ()
    only: tuple[str, ...] = ()

    def check(self, read: Read) -> None:
        given = read[self.key]
        for name in self.needs:
            if given == self.value and name not in read:
                read.add(None, f"{read.what} with {self.key}: {self.value} lacks the key {name!r}")
        for name in self.only:
            if given is not None and given != self.value and name in read:
                message = f"{name} belongs to {self.key}: {self.value}, not {given}"
                read.findings.add(read.key_place(name), message)

    def schema(self) -> list[dict[str, Any]]:
        """The rules for a schema's allOf."""
        found: dict[str, Any] = {
            "if": {"required": [self.key], "properties": {self.key: {"const": self.value}}},
            "then": {"required": list(self.needs)},
        }
        return [found | ({"else": {"properties": dict.fromkeys(self.only, False)}} if self.only else {})]


@dataclass(frozen=True)
class ExactlyOne:
    """Of these keys one stands there, and no more; `hint` says what may be meant by several."""

    keys: tuple[str, ...]
    hint: str | None = None

    def check(self, read: Read) -> None:
        given = sum(key in read for key in self.keys)
        if given > 1 or (not given and read.known):  # an unknown key may be one of them, misspelt
            names, hint = ", ".join(self.keys), self.hint if given else None
            read.add(None, f"{read.what} must have one of {names}, not {given or 'none'}", hint)

    def schema(self) -> list[dict[str, Any]]:
        """The rules for a schema's allOf."""
        return [{"oneOf": [{"required": [key]} for key in self.keys]}]


@dataclass(frozen=True)
class KeysBy:
    """By the value of `key`: the keys that must stand there too, and those that may; no other of these."""

    key: str
    table: dict[str, tuple[tuple[str, ...], tuple[str, ...]]]

    def _others(self, value: str) -> tuple[str, ...]:
        every = [key for both in self.table.values() for keys in both for key in keys]
        must, may = self.table[value]
        return tuple(key for key in dict.fromkeys(every) if key not in (*must, *may))

    def check(self, read: Read) -> None:
        value = read[self.key]
        if value not in self.table:
            return
        for key in self.table[value][0]:
            if key not in read:
                read.add(None, f"{value} lacks the key {key!r}")
        for key in self._others(value):
            if key in read:
                read.findings.add(read.key_place(key), f"{value} takes no {key}")

    def schema(self) -> list[dict[str, Any]]:
        """The rules for a schema's allOf."""
        rules = []
        for value, (must, _) in self.table.items():
            given = {"required": [self.key], "properties": {self.key: {"const": value}}}
            then: dict[str, Any] = {"required": list(must)} if must else {}
            then |= {"properties": dict.fromkeys(others, False)} if (others := self._others(value)) else {}
            rules.append({"if": given, "then": then})
        return rules


class Read:
    """What one mapping says: a value, the default where the key is absent, None where it is wrong. All is
    asked by the key or by the model's name for it, so that a key renamed in the table that keeps its name in
    the model (`to`) is read as before.
    sound: it is a mapping at all; known: one without unknown keys; good: nothing that is needed is absent or
    wrong, so that a model can be made.
    """

    def __init__(self, fields: Fields, record: Record, findings: Findings) -> None:
        self.what = fields.what
        self.place = fields.place
        self.sound = fields.sound
        self.known = fields.sound and fields.known
        self.findings = findings
        self._fields = fields
        self._record = record
        self._values: dict[str, Any] = {}
        self._keys = {field.name: field.key for field in record.fields}
        self._keys |= {field.key: field.key for field in record.fields}
        for field in record.fields:
            if field.key not in fields:
                self._values[field.key] = field.absent()
        # A form that hangs on another key comes after that key.
        for field in sorted(record.fields, key=lambda one: isinstance(one.form, ByKey)):
            if field.key in fields:
                form = field.form
                form = form.chosen(self[form.key]) if isinstance(form, ByKey) else form
                self._values[field.key] = form.read(fields.value_place(field.key), findings, field.key)
        self.good = self.sound and not any(
            self._values[field.key] is None and (field.needed or field.key in fields)
            for field in record.fields
        )

    def __getitem__(self, name: str) -> Any:
        return self._values[self._keys[name]]

    def __contains__(self, name: str) -> bool:
        return self._keys[name] in self._fields

    def key(self, name: str) -> str:
        """The key as a file spells it, for messages."""
        return self._keys[name]

    def key_place(self, name: str) -> Node:
        """Where the key stands; the mapping's own place where it is absent."""
        return self._fields.key_place(self._keys[name])

    def value_place(self, name: str) -> Node:
        """Where the value stands; the mapping's own place where the key is absent."""
        return self._fields.value_place(self._keys[name])

    def add(self, key: str | None, message: str, hint: str | None = None) -> None:
        """A finding at a key's value, or at the mapping itself."""
        self.findings.add(self.place if key is None else self.value_place(key), message, hint)

    def named(self) -> dict[str, Any]:
        """All values by the model's names."""
        return {field.name: self._values[field.key] for field in self._record.fields}


@dataclass(frozen=True)
class Record(Form):
    """A mapping called `what`: its fields, its rules, and what becomes of it.

    check: looks at values that are good by themselves and leaves findings. make: the model from the values by
    the model's names; without it the values stay a `Read`. placed: the model is told its `place`, too.
    """

    what: str
    fields: tuple[Field, ...]
    rules: tuple[When | ExactlyOne | KeysBy, ...] = ()
    check: Callable[[Read], None] | None = None
    make: Callable[..., Any] | None = None
    placed: bool = False

    def read(self, node: Node, findings: Findings, what: str = "") -> Any:
        """The model or the values; None, with findings, where one that is needed is absent or wrong."""
        if isinstance(node, Refused):
            return None
        read = self.open(node, findings, what)
        if self.make is None:
            return read if read.sound else None
        if not read.good:
            return None
        place = {"place": read.place} if self.placed else {}
        return self.make(**read.named(), **place)

    def open(self, node: Node | None, findings: Findings, what: str = "") -> Read:
        """The values, whatever is wrong with them."""
        known = tuple(field.key for field in self.fields)
        needed = tuple(field.key for field in self.fields if field.needed)
        read = Read(Fields(node, findings, what or self.what, known, needed), self, findings)
        for rule in self.rules:
            rule.check(read)
        if self.check is not None and read.good:
            self.check(read)
        return read

    def field(self, key: str) -> Field:
        """The field of that key."""
        return next(field for field in self.fields if field.key == key)

    def schema(self, defs: Defs) -> dict[str, Any]:
        properties = {field.key: described(field, defs) for field in self.fields}
        needed = [field.key for field in self.fields if field.needed]
        rules = [made for rule in self.rules for made in rule.schema()]
        for field in self.fields:
            rules += by_key(field, self.field(field.form.key), defs) if isinstance(field.form, ByKey) else []
        return {
            "type": "object",
            "additionalProperties": False,
            **({"required": needed} if needed else {}),
            "properties": properties,
            **({"allOf": rules} if rules else {}),
        }

    def describe(self) -> str:
        return "a mapping"

    def written(self, value: Any) -> dict[str, Any]:
        """A model's values (or a dict's, by the model's names) by key; None and defaults are left out."""
        found = {}
        for field in self.fields:
            held = value.get(field.name) if isinstance(value, dict) else getattr(value, field.name)
            if held is not None and (field.needed or held != field.absent()):
                found[field.key] = field.form.written(held)
        return found


def described(field: Field, defs: Defs) -> dict[str, Any]:
    """A field's schema with its meaning, its bounds and its default for whoever points at it."""
    form = field.form.describe()
    bounds = f" {form[0].upper()}{form[1:]}." if getattr(field.form, "bounds", None) else ""
    unless = f" Unless given: {field.otherwise}." if field.otherwise else ""
    found = {**field.form.schema(defs), "description": f"{field.meaning}{bounds}{unless}".strip()}
    return found | ({} if field.default is None else {"default": field.default})


def by_key(field: Field, other: Field, defs: Defs) -> list[dict[str, Any]]:
    """The rules for a form that another key decides."""
    assert isinstance(field.form, ByKey)
    rules = []
    for value, form in field.form.forms.items():
        given: dict[str, Any] = {"properties": {other.key: {"const": value}}}
        given |= {} if other.default == value else {"required": [other.key]}
        rules.append({"if": given, "then": {"properties": {field.key: form.schema(defs)}}})
    return rules
