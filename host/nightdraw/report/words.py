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
class Said:
    """What is to be said, by who has no texts: a key and what stands in its places, which may be said too."""

    key: str
    told: tuple[tuple[str, object], ...] = ()


def said(key: str, **told: object) -> Said:
    """A text to be said later."""
    return Said(key, tuple(told.items()))


class Words:
    """The texts by key; call it with a key and what stands in its places."""

    def __init__(self, texts: dict[str, str]) -> None:
        self.texts = texts

    def __call__(self, key: str, **told: object) -> str:
        """The text of a key, its places filled; KeyError for an unknown key or place."""
        return self.texts[key].format(**told) if told else self.texts[key]

    def say(self, one: Said) -> str:
        """What was to be said."""
        return self(one.key, **{k: self.say(v) if isinstance(v, Said) else v for k, v in one.told})

    def joined(self, parts: Iterable[Said]) -> str:
        """Several things, one after the other."""
        return "; ".join(self.say(one) for one in parts)

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
