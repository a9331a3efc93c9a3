"""Entries for the record book, drawn from a seed: their texts are long enough to be searched for."""

from __future__ import annotations

import random

from nightdraw.lesson.entries import COLUMNS, Entry, GroupEntry, Item, Marks


def word(rng: random.Random) -> str:
    """A word that nothing else has."""
    return "".join(rng.choice("bcdfghjklmnpqrstvwxz") for _ in range(14))


def group(rng: random.Random, code: str, journal_lines: int = 40) -> GroupEntry:
    """A group whose every text is its own."""
    assignment = {name: word(rng) for name in ("vehicle", "splice", "fuse", "box", "profile", "kit")}
    assignment |= {"slot": rng.randrange(10), "seed": rng.randrange(2**32), "expected_s": 600.5}
    lines = [f'{{"kind": "edge", "note": "{word(rng)}"}}' for _ in range(journal_lines)]
    items = tuple(Item(name, 1.0, 2.0, word(rng), word(rng), word(rng), word(rng)) for name in COLUMNS)
    return GroupEntry(
        code,
        assignment,
        {name: word(rng) for name in COLUMNS},
        "\n".join(lines) + "\n",
        Marks(6.0, 12.0, 50.0, False, items),
    )


def entry(
    rng: random.Random, codes: tuple[str, ...], of_class: str = "evening-class", lines: int = 40
) -> Entry:
    """A lesson of these groups."""
    groups = tuple(group(rng, code, lines) for code in codes)
    return Entry(word(rng), of_class, "A class", None, rng.randrange(2**32), 60.0, "half", groups)


def texts(told: GroupEntry) -> set[str]:
    """Every text of a group that nobody else has."""
    assert told.answer is not None
    assert told.marks is not None
    found = {str(value) for value in told.assignment.values() if len(str(value)) == 14} | set(
        told.answer.values()
    )
    for item in told.marks.items:
        found |= {item.claimed, item.truth, item.tolerance, item.comment}
    return found | {told.code}
