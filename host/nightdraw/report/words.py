"""All text that a lesson's pages and a profile's cards say of a fault, from one file that can be translated:
words.toml, or a copy of it.

A text is found by its key (`mark.circuit.right`) and has places in braces. A translation may lack keys: then
the English one stands there. It can't bring in a place that the English one doesn't have.
"""

from __future__ import annotations

import string
import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from nightdraw.errors import Finding, InputError, nearest
from nightdraw.places import read_text

SHIPPED = Path(__file__).with_name("words.toml")


@dataclass(frozen=True)
class Message:
    """A text not yet written out, made where no texts are at hand: its key and the values of its places,
    which may be messages too."""

    key: str
    values: tuple[tuple[str, object], ...] = ()

    @classmethod
    def of(cls, key: str, **values: object) -> Message:
        """The message of a key."""
        return cls(key, tuple(values.items()))


class Words:
    """The texts by key; call it with a key and what stands in its places."""

    def __init__(self, texts: dict[str, str]) -> None:
        self.texts = texts

    def __call__(self, key: str, **values: object) -> str:
        """The text of a key, its places filled; KeyError for an unknown key or place."""
        return self.texts[key].format(**values) if values else self.texts[key]

    def text(self, message: Message) -> str:
        """A message written out."""
        values = {name: self.text(v) if isinstance(v, Message) else v for name, v in message.values}
        return self(message.key, **values)

    def joined(self, messages: Iterable[Message]) -> str:
        """Several messages, one after the other."""
        return "; ".join(map(self.text, messages))

    def listed(self, key: str) -> list[str]:
        """The texts of a list, one a line in the file."""
        return [line for line in self.texts[key].splitlines() if line.strip()]

    def under(self, table: str) -> dict[str, str]:
        """All texts of a table, by what is behind its name."""
        before = f"{table}."
        return {key[len(before) :]: text for key, text in self.texts.items() if key.startswith(before)}

    def has(self, key: str) -> bool:
        """Whether there is such a text."""
        return key in self.texts


def load_words(path: Path | None = None, shipped: Path = SHIPPED) -> Words:
    """The shipped texts, or a translation over them; raises InputError for unknown keys or places."""
    texts = dict(_flat(tomllib.loads(shipped.read_text("utf-8"))))
    if path is None:
        return Words(texts)
    try:
        theirs = dict(_flat(tomllib.loads(read_text(path))))
    except tomllib.TOMLDecodeError as error:
        raise InputError(Finding(f"this is no TOML: {error}", str(path))) from None
    wrong = []
    for key, text in theirs.items():
        if key not in texts:
            wrong.append(Finding(f"there is no text {key!r}", str(path), hint=nearest(key, texts)))
        elif text is None or not _places(text) <= _places(texts[key]):
            known = ", ".join(sorted(_places(texts[key]))) or "none"
            wrong.append(Finding(f"{key}: a text with the places {{}} known here: {known}", str(path)))
    if wrong:
        raise InputError(*wrong)
    return Words({**texts, **theirs})


def _flat(table: dict[str, Any], before: str = "") -> Iterator[tuple[str, Any]]:
    for key, value in table.items():
        if isinstance(value, dict):
            yield from _flat(value, f"{before}{key}.")
        else:
            yield f"{before}{key}", value if isinstance(value, str) else None


def _places(text: Any) -> set[str]:
    """The names in braces; something that no text has where the braces are wrong."""
    try:
        return {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}
    except (ValueError, TypeError):
        return {"\0"}
