"""What a value may be: a quantity, a text, a choice, a whole number, a list. Each form reads a node, writes a
value, and says of itself what a JSON Schema and a manual need.

A form's `read` gives None, and a finding, for what it refuses. A schema never refuses what the form takes;
what it can't say (bounds of quantities, which end of a range is lower) only the form finds.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from nightdraw import units
from nightdraw.errors import nearest
from nightdraw.fields.held import EXACT, Held, written
from nightdraw.fields.mapping import in_range, items, read_with, whole_number
from nightdraw.places import Findings, Node, Refused, Scalar, Sequence
from nightdraw.units import shown

Bounds = tuple[str, str]
Defs = dict[str, dict[str, Any]]  # the schema's $defs, filled on the way
MOST_DIGITS = 20
NUMBERS = (("number", "5.5"), ("integer", "5"))
ANY_TEXT = ("string", "number", "boolean")  # what an editor may take a text for before its schema sees it
NUMBER = r"([0-9]+(\.[0-9]+)?|\.[0-9]+)([eE][+-]?0*([0-9]|[12][0-9]|30))?"


class Form:
    """One way that a value may be written."""

    def read(self, node: Node, findings: Findings, what: str) -> Any:
        """What the node means; None, with a finding that begins with `what`, where it is refused."""
        raise NotImplementedError

    def schema(self, defs: Defs) -> dict[str, Any]:
        """The JSON Schema of it."""
        raise NotImplementedError

    def describe(self) -> str:
        """What may stand there, for a manual."""
        raise NotImplementedError

    def written(self, value: Any) -> Any:
        """A value of the model as it stands in a file: a text, or dicts and lists of texts."""
        return str(value)


@dataclass(frozen=True)
class Text(Form):
    """A text that isn't empty: as it stands, or what `parse` (raises ValueError) makes of it.

    pattern: what all of it must match, in the common subset of Python's and ECMA-262's expressions; shape:
    the same in words. folded: white space in it is one space.
    """

    shape: str = "text"
    pattern: str | None = None
    most: int | None = None
    parse: Callable[[str], Any] | None = None
    folded: bool = False

    def read(self, node: Node, findings: Findings, what: str) -> Any:
        return read_with(node, findings, what, self.value)

    def value(self, text: str) -> Any:
        """What the text means; raises ValueError."""
        if self.most is not None and len(text) > self.most:
            raise ValueError(f"must have at most {self.most} characters, not {len(text)}")
        if self.parse is not None:
            return self.parse(text)
        if self.pattern is not None and not re.fullmatch(self.pattern, text):
            raise ValueError(f"{shown(text)} is not {self.shape}")
        return " ".join(text.split()) if self.folded else text

    def schema(self, defs: Defs) -> dict[str, Any]:
        if self.pattern is not None:
            # What an editor takes for a number before its schema sees it.
            number = next((kind for kind, like in NUMBERS if re.fullmatch(self.pattern, like)), None)
            least = {} if number is None or re.fullmatch(self.pattern, "-5") else {"minimum": 0}
            kinds = "string" if number is None else ["string", number]
            return {"type": kinds, "pattern": f"^({self.pattern})$"} | least
        most = {} if self.most is None else {"maxLength": self.most}
        return {"type": list(ANY_TEXT), "minLength": 1} | most

    def describe(self) -> str:
        return self.shape if self.most is None else f"{self.shape}, at most {self.most} characters"


@dataclass(frozen=True)
class Quantity(Form):
    """A number with a unit of `dimension` within `bounds`, held as `held`; or what `parse` makes of the text
    (raises QuantityError, and sees to the bounds itself)."""

    dimension: str
    bounds: Bounds | None = None
    held: Held = EXACT
    parse: Callable[[str], Any] | None = None

    def read(self, node: Node, findings: Findings, what: str) -> Any:
        if self.parse is not None:
            return read_with(node, findings, what, self.parse)
        value = read_with(node, findings, what, lambda text: units.parse(text, self.dimension))
        if value is None:
            return None
        if self.bounds and not in_range(node, findings, what, value, self.bounds, self.dimension):
            return None
        return self.held.into(value)

    def schema(self, defs: Defs) -> dict[str, Any]:
        name, pattern = self._named()
        defs[name] = {"type": "string", "pattern": f"^ *{pattern} *$"}
        return {"$ref": f"#/$defs/{name}"}

    def _named(self) -> tuple[str, str]:
        """The definition's name, and one quantity's pattern: with a sign where one may stand."""
        below = self.dimension in units.SIGNED and (
            self.bounds is None or units.parse(self.bounds[0], self.dimension) <= 0
        )
        known = [*units.UNITS[self.dimension], *([units.AWG] if self.dimension == "area" else [])]
        words = self.dimension.split()
        name = words[0] + "".join(word.capitalize() for word in words[1:]) + ("OrBelow" if below else "")
        return name, f"{'[+-]?' if below else chr(92) + '+?'}{NUMBER} ?({'|'.join(known)})"

    def describe(self) -> str:
        return self.dimension + (f", {self.bounds[0]} .. {self.bounds[1]}" if self.bounds else "")

    def written(self, value: Any) -> str:
        return written(self.held.base(value), self.dimension)


@dataclass(frozen=True)
class Span(Quantity):
    """A range `LOW .. HIGH` of a quantity, or (unless `only`) one quantity for both; `parse` is needed."""

    only: bool = False

    def schema(self, defs: Defs) -> dict[str, Any]:
        name, one = self._named()
        more = rf" *\.\. *{one} *" if self.only else rf" *(\.\. *{one} *)?"
        name += "Range" if self.only else "Span"
        defs[name] = {"type": "string", "pattern": f"^ *{one}{more}$"}
        return {"$ref": f"#/$defs/{name}"}

    def describe(self) -> str:
        return super().describe() + ("; a range LOW .. HIGH" if self.only else "; or a range LOW .. HIGH")


@dataclass(frozen=True)
class Choice(Form):
    """One of some names; where they stand for something, `means` says what."""

    names: tuple[str, ...]
    means: dict[str, Any] | None = field(default=None, compare=False)

    def read(self, node: Node, findings: Findings, what: str) -> Any:
        value = read_with(node, findings, what, str)
        if value is None or value in self.names:
            return value if self.means is None or value is None else self.means[value]
        allowed = ", ".join(self.names)
        hint = nearest(value[:60], self.names)
        findings.add(node, f"{what} must be one of {allowed}, not {shown(value)}", hint)
        return None

    def schema(self, defs: Defs) -> dict[str, Any]:
        # What an editor makes of such a name before its schema sees it.
        numbers = [int(name) for name in self.names if name.isdigit()]
        truths = [True, False] if {"yes", "no"} <= set(self.names) else []
        return {"enum": [*self.names, *numbers, *truths]}

    def describe(self) -> str:
        return ", ".join(f"`{name}`" for name in self.names)

    def written(self, value: Any) -> str:
        if self.means is None:
            return str(value)
        return next(name for name, meant in self.means.items() if meant == value)


@dataclass(frozen=True)
class Whole(Form):
    """A whole number of low..high in plain decimal digits."""

    low: int
    high: int

    def read(self, node: Node, findings: Findings, what: str) -> Any:
        return read_with(node, findings, what, lambda text: whole_number(text, self.low, self.high))

    def schema(self, defs: Defs) -> dict[str, Any]:
        return {
            "type": ["integer", "string"],
            "minimum": self.low,
            "maximum": self.high,
            "pattern": f"^[0-9]{{1,{MOST_DIGITS}}}$",
        }

    def describe(self) -> str:
        return f"{self.low} .. {self.high}"


@dataclass(frozen=True)
class Either(Form):
    """Some words, or else a value of another form."""

    words: dict[str, Any] = field(hash=False)
    form: Form

    def read(self, node: Node, findings: Findings, what: str) -> Any:
        if not isinstance(node, Scalar):
            return self.form.read(node, findings, what)
        if node.text in self.words:
            return self.words[node.text]
        tried = Findings(findings.file)
        value = self.form.read(node, tried, what)
        near = nearest(node.text[:60], self.words)
        for found in tried.sorted():
            findings.add(node, f"{found.message}; or one of {', '.join(self.words)}", near or found.hint)
        return value

    def schema(self, defs: Defs) -> dict[str, Any]:
        return {"anyOf": [Choice(tuple(self.words)).schema(defs), self.form.schema(defs)]}

    def describe(self) -> str:
        return f"{Choice(tuple(self.words)).describe()}; or {self.form.describe()}"


@dataclass(frozen=True)
class ByKey(Form):
    """A form that another key's value decides; `other` where that value is wrong itself."""

    key: str
    forms: dict[str, Form] = field(hash=False)
    other: Form

    def chosen(self, value: Any) -> Form:
        """The form for that value of the other key."""
        return self.forms.get(value, self.other)

    def schema(self, defs: Defs) -> dict[str, Any]:
        return {"anyOf": [form.schema(defs) for form in self.forms.values()]}

    def describe(self) -> str:
        return "; ".join(f"with {self.key} {name}: {form.describe()}" for name, form in self.forms.items())


@dataclass(frozen=True)
class Listed(Form):
    """A list of low..high (None: any number) values of one form, called `many` together and `one` {number}.

    What is wrong in it is left out, with a finding. alone: a single value may stand there without brackets.
    """

    of: Form
    low: int = 0
    high: int | None = None
    many: str = "items"
    one: str = ""
    alone: bool = False

    def read(self, node: Node, findings: Findings, what: str) -> tuple[Any, ...]:
        nodes = [node] if self.alone and isinstance(node, Scalar) else items(node, findings, what)
        if isinstance(node, Sequence) and not self.low <= len(nodes) <= (self.high or len(nodes)):
            findings.add(node, f"{what} must list {self.how_many()}, not {len(nodes)}")
        found = []
        for number, item in enumerate(nodes[: self.high], 1):
            if findings.full():
                break
            if not isinstance(item, Refused):
                found.append(self.of.read(item, findings, self.one.format(number=number) or what))
        return tuple(value for value in found if value is not None)

    def how_many(self) -> str:
        """The bounds of its length, in words."""
        if self.high is None:
            return f"at least {self.low} {self.many}"
        return f"{self.low} to {self.high} {self.many}"

    def schema(self, defs: Defs) -> dict[str, Any]:
        found: dict[str, Any] = {"type": "array", "items": self.of.schema(defs)}
        found |= {"minItems": self.low} if self.low else {}
        found |= {} if self.high is None else {"maxItems": self.high}
        return {"anyOf": [self.of.schema(defs), found]} if self.alone else found

    def describe(self) -> str:
        many = f"a list of {self.how_many()}" if self.low or self.high else f"a list of {self.many}"
        return many if hasattr(self.of, "fields") else f"{many}: {self.of.describe()}"

    def written(self, value: Any) -> Any:
        return [self.of.written(one) for one in value]


@dataclass(frozen=True)
class Placed(Form):
    """A value together with its node, for what is looked up elsewhere and may not be found there."""

    of: Form

    def read(self, node: Node, findings: Findings, what: str) -> tuple[Any, Node] | None:
        value = self.of.read(node, findings, what)
        return None if value is None else (value, node)

    def schema(self, defs: Defs) -> dict[str, Any]:
        return self.of.schema(defs)

    def describe(self) -> str:
        return self.of.describe()


# `yes` and `no` as a truth.
YES = Choice(("yes", "no"), {"yes": True, "no": False})
NAME = Text("a name of small letters, digits and '-', a letter first, at most 32", r"[a-z][a-z0-9-]{0,31}")
