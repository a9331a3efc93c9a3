"""Every place that tells kinds of draws apart knows all of them, or says here what becomes of the others.

Who adds a kind to `model.Draw` gets one failure for each place that has never heard of it, with both names.
"""

from __future__ import annotations

import ast
import random
import struct
import typing
from collections.abc import Callable
from functools import cache

import pytest
from boxcore import program as pg
from boxcore import schedule as core
from nightdraw import data
from nightdraw.profile import draws, load, model, table

from tests.micropython import make
from tests.tidy import TOP

KINDS = {one.__name__: one for one in typing.get_args(model.Draw)}
MODELS = ("nightdraw.profile", "nightdraw.profile.model")
PULSES = "moves without an end, and falls to nothing between"
# Places that ask for some kinds only: the others by name, and what becomes of them there.
OTHERS = {
    "host/nightdraw/bench/finding/difficulty.py": {
        "Steady": "has instants of its own: none",
        "Pulse": "has a period to recognise",
        "Replay": "repeats, or comes once",
    },
    "host/nightdraw/bench/finding/laws.py": {
        "Steady": "makes no pulses to wait for",
        "Replay": "no law: its waits are counted by simulation",
    },
    "host/nightdraw/bench/finding/parts.py": dict.fromkeys(("Pulse", "Random"), PULSES),
    "host/nightdraw/lesson/candidates.py": dict.fromkeys(
        ("Steady", "Pulse", "Replay"), "plays alike with every seed"
    ),
    "host/nightdraw/lesson/fitting.py": dict.fromkeys(("Pulse", "Random"), "moved with the base"),
    "host/nightdraw/lesson/truth.py": {"Steady": "what is left where nothing moves"},
    "host/nightdraw/profile/describe.py": {"Steady": "the sentence that is left"},
    "host/nightdraw/profile/figures.py": {"Pulse": "nothing has to be assumed of its mean"},
}


@cache
def places() -> dict[str, frozenset[str]]:
    """The modules of the host that name kinds of draws, and which."""
    found = {}
    for path in sorted((TOP / "host").rglob("*.py")):
        text = path.read_text("utf-8")
        if not any(model in text for model in MODELS):
            continue
        tree = ast.parse(text)
        imported = {
            name.name
            for node in ast.walk(tree)
            if isinstance(node, ast.ImportFrom) and node.module in MODELS
            for name in node.names
        }
        named = {node.id for node in ast.walk(tree) if isinstance(node, ast.Name)} & imported & set(KINDS)
        if named - {"Steady"}:  # steady or not: a new kind moves, or it is none
            found[path.relative_to(TOP).as_posix()] = frozenset(named)
    return found


@pytest.mark.parametrize("kind", sorted(KINDS))
@pytest.mark.parametrize("place", sorted(places()))
def test_a_place_knows_the_kind_or_says_what_becomes_of_it(place: str, kind: str) -> None:
    said = OTHERS.get(place, {})
    assert (kind in places()[place]) != (kind in said), (
        f"{place} tells kinds of draws apart: handle {kind} there, or say in OTHERS what becomes of it"
    )


def test_no_place_is_listed_that_is_none() -> None:
    assert set(OTHERS) <= set(places())


def number(kind: str) -> int | None:
    """The kind's number in the program."""
    found: int | None = getattr(pg, kind.upper(), None)
    return found


def zeros(kind: str) -> tuple[int, ...]:
    """A draw of the kind whose body holds nothing but zeros."""
    layout = pg.BODIES[number(kind)]
    return (number(kind) or 0, *struct.unpack(layout, bytes(struct.calcsize(layout))))


def refused(draw: tuple[int, ...]) -> bool:
    """The box takes no such draw."""
    try:
        pg._check_draw(draw)
    except pg.ProgramError:
        return True
    return False


def is_streamed(kind: str) -> bool:
    """The box makes a stream of its own of what the comparison of both Pythons makes of the kind."""
    drawn = make.draw(random.Random(1), number(kind))
    return drawn[0] == number(kind) and type(core.stream(drawn, 0, 0, 1)).__name__ == kind


SHIPPED = {type(draw).__name__ for path in data.profile_paths() for draw in load(path).draws}
# What a kind needs beside the places that are found above: where -> whether it is there.
NEEDED: dict[str, Callable[[str], object]] = {
    "firmware/boxcore/program.py, its number": number,
    "firmware/boxcore/program.py, BODIES": lambda kind: kind == "Replay" or number(kind) in pg.BODIES,
    "firmware/boxcore/program.py, the check of its body": lambda kind: (
        kind in ("Steady", "Replay") or refused(zeros(kind))
    ),
    "firmware/boxcore/schedule.py and tests/micropython/make.py": is_streamed,
    "host/nightdraw/profile/table.py, its fields": lambda kind: (
        kind.lower() in [field.key for field in table.KINDS]
    ),
    "host/nightdraw/profile/draws.py, KINDS": lambda kind: kind.lower() in draws.KINDS,
    "profiles/, one that ships and has it": lambda kind: kind in SHIPPED,
}


@pytest.mark.parametrize("kind", sorted(KINDS))
@pytest.mark.parametrize("place", NEEDED)
def test_a_kind_has_all_that_it_needs(place: str, kind: str) -> None:
    try:
        there = NEEDED[place](kind)
    except (KeyError, TypeError, ValueError, IndexError) as error:
        there = None
        print(f"{type(error).__name__}: {error}")
    assert there, f"{place}: {kind} isn't there"


def test_kinds_have_numbers_of_their_own() -> None:
    assert len({number(kind) for kind in KINDS}) == len(KINDS)
