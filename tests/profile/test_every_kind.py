"""Every place that tells kinds of draws apart knows all of them, or says here what becomes of the others.

Who adds a kind to `model.Draw` gets one failure for each place that has never heard of it, with both names.
"""

from __future__ import annotations

import ast
import typing
from functools import cache
from pathlib import Path

import pytest
from boxcore import program as pg
from nightdraw.profile import draws, model, table

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
    "host/nightdraw/lesson/fitting.py": dict.fromkeys(("Pulse", "Random"), "moved with the base"),
    "host/nightdraw/lesson/truth.py": {"Steady": "what is left where nothing moves"},
    "host/nightdraw/profile/describe.py": {"Steady": "the sentence that is left"},
    "host/nightdraw/profile/figures.py": {"Pulse": "nothing has to be assumed of its mean"},
    "host/nightdraw/profile/fit.py": {"Random": "overlaps with anything, and has a peak as all have"},
}


@cache
def places() -> dict[str, frozenset[str]]:
    """The modules of the host that name kinds of draws, and which."""
    found = {}
    for path in sorted((TOP / "host").rglob("*.py")):
        tree = ast.parse(path.read_text("utf-8"))
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


def test_words_numbers_and_schema_are_those_of_the_kinds() -> None:
    words = {name.lower() for name in KINDS}
    assert set(draws.KINDS) == words
    numbers = {name: value for name, value in vars(pg).items() if name.lower() in words and name.isupper()}
    assert len(set(numbers.values())) == len(words), "each kind has its number in boxcore.program"
    assert set(pg.BODIES) | {pg.REPLAY} == set(numbers.values()), "and the layout of its body"
    assert {field.key for field in table.KINDS} == words, "a table of its fields, and with it the schema"


@pytest.mark.parametrize("path", ["firmware/boxcore/draws.py", "tests/micropython/make.py"])
def test_the_box_and_the_comparison_of_pythons_make_each_kind(path: str) -> None:
    source = (TOP / path).read_text("utf-8")
    asked = {name for name in KINDS if f"pg.{name.upper()}" in source}
    assert set(KINDS) - asked <= {"Replay"}, "a replay is what is left"


def test_a_card_is_written_for_each_kind() -> None:
    shipped = {type(draw) for path in sorted((TOP / "profiles").glob("*.yaml")) for draw in _draws(path)}
    assert shipped == set(KINDS.values()), (
        "a profile that ships has it, and with it cards, figures and the bench"
    )


def _draws(path: Path) -> tuple[model.Draw, ...]:
    from nightdraw.profile import load

    return tuple(load(path).draws)
