"""What each question to a box may be answered with: the type and the range, and nothing else is believed.

A box may be broken, or something that pretends to be one: its answer is looked at here before anybody
computes with it or shows it. Pure functions over bytes; nothing here asks.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Generic, TypeVar

from nightdraw.errors import Finding, LinkError, printable
from nightdraw.link.message import GarbledError, block_data

T = TypeVar("T")

SHOWN = 60  # characters of a wrong answer that its error repeats
REMEDY = (
    "run `nightdraw box check`; if nothing is wrong there, `nightdraw box install` renews the box's firmware"
)
# Whole and decimal numbers as the box writes them (IEEE 488.2, 8.7.2 and 8.7.3): no exponent, no infinity, no
# underscore; longer ones are none of a box's.
_WHOLE = re.compile(rb"[+-]?[0-9]{1,19}")
_DECIMAL = re.compile(rb"[+-]?[0-9]{1,12}(\.[0-9]{1,9})?")
NAME = r"[a-z][a-z0-9-]{0,31}"  # of a profile and of a board


@dataclass(frozen=True)
class AnswerType(Generic[T]):
    """A type of answer: `wants` names it for people, `read` turns an answer's bytes into the value and raises
    ValueError for anything else."""

    wants: str
    read: Callable[[bytes], T]


@dataclass(frozen=True)
class Query(Generic[T]):
    """One question and the kind of its answer. unit: its header, in the short form."""

    unit: str
    kind: AnswerType[T]

    def read(self, answer: bytes, address: str) -> T:
        """The value of what the box at an address answered; raises LinkError for what can't be one."""
        try:
            return self.kind.read(answer)
        except (ValueError, GarbledError):
            what = f"{address}: the box answered {shown(answer)} to {self.unit}, not {self.kind.wants}"
            raise LinkError(Finding(what, hint=REMEDY)) from None


def shown(answer: bytes) -> str:
    """An answer as a message may repeat it: short, quoted, printable."""
    text = printable(answer.decode("ascii", "backslashreplace"))
    return f"'{text[:SHOWN]}'" + (" and more" if len(text) > SHOWN else "")


def integer(low: int, high: int) -> AnswerType[int]:
    """A whole number from low to high."""

    def read(answer: bytes) -> int:
        if not _WHOLE.fullmatch(answer) or not low <= int(answer) <= high:
            raise ValueError
        return int(answer)

    return AnswerType(f"a whole number from {low} to {high}", read)


def optional(kind: AnswerType[T]) -> AnswerType[T | None]:
    """The same, or -1 for none."""
    return AnswerType(f"{kind.wants}, or -1", lambda answer: None if answer == b"-1" else kind.read(answer))


def decimal(low: int, high: int) -> AnswerType[Fraction]:
    """A decimal number from low to high, exactly."""

    def read(answer: bytes) -> Fraction:
        if not _DECIMAL.fullmatch(answer) or not low <= Fraction(answer.decode()) <= high:
            raise ValueError
        return Fraction(answer.decode())

    return AnswerType(f"a decimal number from {low} to {high}", read)


def word(known: Mapping[str, T]) -> AnswerType[T]:
    """One of a few words, each with what it stands for."""

    def read(answer: bytes) -> T:
        try:
            return known[answer.decode("ascii")]
        except (KeyError, UnicodeDecodeError):
            raise ValueError from None

    return AnswerType("one of " + ", ".join(known), read)


flag = word({"0": False, "1": True})


def quoted(pattern: str = NAME) -> AnswerType[str]:
    """A string in quotes whose text matches."""

    def read(answer: bytes) -> str:
        text = answer.decode("ascii")
        if not re.fullmatch(f'"{pattern}"', text):
            raise ValueError
        return text[1:-1]

    return AnswerType("a name in quotes", read)


def hexadecimal(*sizes: int) -> AnswerType[bytes]:
    """Bytes as hexadecimal digits in quotes, as many as one of the sizes."""

    def read(answer: bytes) -> bytes:
        text = answer.decode("ascii")
        if not re.fullmatch('"([0-9a-fA-F]{2})*"', text) or len(text) // 2 - 1 not in sizes:
            raise ValueError
        return bytes.fromhex(text[1:-1])

    return AnswerType(f"{' or '.join(str(size) for size in sizes)} bytes in hexadecimal", read)


def block(most: int) -> AnswerType[bytes]:
    """A definite-length block of at most so many bytes."""

    def read(answer: bytes) -> bytes:
        data = block_data(answer)
        if len(data) > most:
            raise ValueError
        return data

    return AnswerType(f"a block of at most {most} bytes", read)


def row(*kinds: AnswerType[Any]) -> AnswerType[tuple[Any, ...]]:
    """One value of each kind, with commas between; none of them holds a comma itself."""

    def read(answer: bytes) -> tuple[Any, ...]:
        return tuple(kind.read(part) for kind, part in zip(kinds, answer.split(b","), strict=True))

    return AnswerType("; ".join(kind.wants for kind in kinds), read)


def listing(kind: AnswerType[T], most: int) -> AnswerType[tuple[T, ...]]:
    """From one to so many values of a kind, with commas between."""

    def read(answer: bytes) -> tuple[T, ...]:
        parts = answer.split(b",")
        if len(parts) > most:
            raise ValueError
        return tuple(kind.read(part) for part in parts)

    return AnswerType(f"at most {most}, each {kind.wants}", read)


def such_that(kind: AnswerType[T], holds: Callable[[T], bool], wants: str) -> AnswerType[T]:
    """A value of a kind for which something holds besides."""

    def read(answer: bytes) -> T:
        value = kind.read(answer)
        if not holds(value):
            raise ValueError
        return value

    return AnswerType(wants, read)
