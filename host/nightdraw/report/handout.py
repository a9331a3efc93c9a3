"""What a printed or shown page is made of: headings, texts, tables to fill in, boxes, pictures. Plain data.

How it looks on paper is paper.py's, how in a browser web.py's. Text is plain; nothing in it is markup.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

PLAIN, LEAD, SMALL = "plain", "lead", "small"
A4, LETTER = "a4", "letter"
PAPERS_MM = {A4: (210.0, 297.0), LETTER: (215.9, 279.4)}  # ISO 216; ANSI X3.151


@dataclass(frozen=True)
class Field:
    """A place to write: on paper a blank, in a browser an input of that name. choices: what it may be, each
    as it is saved and as it is called; hint: what an answer looks like."""

    name: str
    label: str
    hint: str = ""
    choices: tuple[tuple[str, str], ...] = ()


Cell = str | Field


@dataclass(frozen=True)
class Heading:
    """A section's head."""

    text: str


@dataclass(frozen=True)
class Text:
    """A paragraph; style: PLAIN, LEAD (what one reads first) or SMALL."""

    text: str
    style: str = PLAIN


@dataclass(frozen=True)
class Bullets:
    """A list, in one column or two."""

    items: tuple[str, ...]
    columns: int = 1


@dataclass(frozen=True)
class Facts:
    """Names and what belongs to them, side by side, in one column or two."""

    rows: tuple[tuple[str, str], ...]
    columns: int = 1


@dataclass(frozen=True)
class Table:
    """A table. widths: shares of the width; row_mm: how high a row is at least (0: as its text); right:
    columns of figures."""

    head: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    widths: tuple[float, ...]
    row_mm: float = 0.0
    right: tuple[int, ...] = ()


@dataclass(frozen=True)
class Caution:
    """A box that one must not overlook."""

    title: str
    items: tuple[str, ...]


@dataclass(frozen=True)
class Blank:
    """Room for a drawing, on squared paper."""

    label: str
    height_mm: float


@dataclass(frozen=True)
class Picture:
    """A picture in PNG, as wide as the text; alt: what it shows, for who can't see it."""

    png: bytes
    alt: str
    height_mm: float


Block = Heading | Text | Bullets | Facts | Table | Caution | Blank | Picture


def sections(blocks: Iterable[Block]) -> list[list[Block]]:
    """Blocks in sections, each but perhaps the first with its heading before it."""
    found: list[list[Block]] = [[]]
    for block in blocks:
        if isinstance(block, Heading) and found[-1]:
            found.append([])
        found[-1].append(block)
    return found


@dataclass(frozen=True)
class Form:
    """Makes a browser's page a form that saves its fields and `fixed` as JSON: `name`.json."""

    name: str
    fixed: tuple[tuple[str, str], ...]
    save: str
    saved: str
    unsaved: str
    unit: str


@dataclass(frozen=True)
class Handout:
    """A page or two. badge: the short text in the corner; language: of the texts, as in HTML's lang."""

    title: str
    badge: str
    subtitle: str
    blocks: tuple[Block, ...]
    foot: str = ""
    language: str = "en"
    form: Form | None = None
