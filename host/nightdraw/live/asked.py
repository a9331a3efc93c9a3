"""A message's words, checked: numbers within bounds, texts among those known. Refused with a sentence."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from nightdraw.bench.control import RefusedError
from nightdraw.report.words import Words

Asked = dict[str, Any]


def number(words: Words, asked: Asked, name: str, low: float, high: float) -> float:
    """A number from low to high; raises RefusedError."""
    value = asked.get(name)
    if isinstance(value, int | float) and not isinstance(value, bool) and low <= value <= high:
        return float(value)
    raise RefusedError(words("no.number", name=name, low=f"{low:g}", high=f"{high:g}"))


def whole(words: Words, asked: Asked, name: str, low: int, high: int) -> int:
    """A whole number from low to high; raises RefusedError."""
    value = number(words, asked, name, low, high)
    if value % 1:
        raise RefusedError(words("no.number", name=name, low=f"{low:g}", high=f"{high:g}"))
    return int(value)


def text(words: Words, asked: Asked, name: str, known: Sequence[str]) -> str:
    """One of the known texts; raises RefusedError."""
    value = asked.get(name)
    if isinstance(value, str) and value in known:
        return value
    raise RefusedError(words("no.word", name=name, known=", ".join(known)))
