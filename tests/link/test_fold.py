"""Constants folded into the compiled firmware: the same results, nothing in doubt touched."""

from __future__ import annotations

import ast
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest
from boxcore import board as core
from hypothesis import given
from hypothesis import strategies as st
from nightdraw.link.fold import fold

from tests.micropython.runner import FIRMWARE

SCRIPT = """
from boxcore import bank, program, schedule
draws = [(1, 40_000), (2, 300_000, 50, 100, 7)]
draws += [(3, 200_000, 50, 400, 0, 60, 900), (3, 100_000, 20, 30, 1, 900, 900)]
packed = program.pack(program.Program("all", draws, seed=7))
plan = schedule.Schedule(program.unpack(packed), 3, 11_000)
print(list(schedule.edges(plan, 200_000)), packed.hex())
print(bank.Bank([100_000, 210_000, 405_000]).pattern(3_000, 12_600))
"""
SOURCES = {path.stem: path.read_text("utf-8") for path in (FIRMWARE / "boxcore").glob("*.py")}


def one(text: str, **others: str) -> str:
    """What becomes of one module `m` of a package `p`."""
    return fold({"m": text, **others}, "p")["m"]


def value(text: str, name: str = "result", **others: str) -> object:
    """What a folded module `m` leaves in a name."""
    space: dict[str, object] = {}
    exec(one(text, **others), space)
    return space[name]


def test_a_constant_is_written_where_it_is_used_and_its_name_goes() -> None:
    assert one("A = 3\nB = A * 2 + 1\ndef f():\n    return B\n") == "def f():\n    return 7\n"


def test_a_constant_of_another_module_comes_in_by_either_way_of_importing() -> None:
    text = "from p import n\nfrom p.n import B as C\nresult = (n.A, C)\n"
    assert one(text, n="A = 5\nB = A << 2\n") == "result = (5, 20)\n"


def test_a_name_that_a_function_has_for_itself_is_left_to_it() -> None:
    text = """
        A = 3
        def by_argument(A): return A
        def by_assignment():
            A = 9
            return A
        def outer(A):
            def inner(): return A
            return inner()
        result = by_argument(1), by_assignment(), outer(2), (lambda A: A)(4), [A for A in (5,)][0]
    """
    assert value(textwrap.dedent(text)) == (1, 9, 2, 4, 5)


def test_a_parameter_named_as_a_module_is_not_that_module() -> None:
    text = """
        from p import n
        class Thing: A = 77
        def f(n): return n.A
        result = f(Thing), n.A
    """
    other = {"n": "A = 5\n"}
    folded = one(textwrap.dedent(text), **other)
    assert "return n.A" in folded
    assert "f(Thing), 5" in folded


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("A = 3\nA = 4\n", "A"),  # bound twice
        ("A = 3\ndef g():\n    global A\n    A = 5\n", "A"),  # changed from inside
        ("A = 3\nname = 'A'\n", "A"),  # spelled by some text
        ("a = 3\n", "a"),  # no capitals
        ("A = True\n", "A"),  # a truth, no number
        ("A = 1.5\n", "A"),
        ("A = len('x')\n", "A"),
        ("A = 1 << 90\n", "A"),  # no plain constant
        ("A = (1, 2)\n", "A"),
    ],
)
def test_what_is_in_doubt_stays(text: str, name: str) -> None:
    kept = one(f"{text}def f():\n    return {name}\n")
    assert kept.startswith(text.split("\n")[0])
    assert kept.endswith(f"def f():\n    return {name}\n")


def test_an_attribute_that_is_changed_from_outside_stays() -> None:
    folded = fold({"m": "A = 3\n", "n": "from p import m\nm.A = 4\n"}, "p")
    assert folded["m"] == "A = 3\n"


def test_a_definition_that_something_still_asks_for_stays() -> None:
    assert "A = 3" in one("A = 3\nB = 4\n", n="def f(thing):\n    return thing.A\n")


@given(
    st.integers(-(1 << 40), 1 << 40),
    st.integers(1, 40),
    st.sampled_from(["+", "-", "*", "//", "%", "&", "|", "^"]),
)
def test_arithmetic_is_pythons(left: int, right: int, operator: str) -> None:
    expression = f"{left} {operator} {right}"
    assert value(f"A = {expression}\nresult = A\n") == eval(expression)


def test_the_firmware_loses_its_constants_and_nothing_else() -> None:
    folded = fold(SOURCES, "boxcore")
    assert set(folded) == set(SOURCES)
    for name, text in folded.items():
        was, now = (_definitions(source) for source in (SOURCES[name], text))
        assert was == now, name
    assert "RING_MASK" not in folded["edgeplayer"]
    assert len(SOURCES["edgeplayer"]) > 0


def _definitions(source: str) -> list[str]:
    return [
        node.name for node in ast.walk(ast.parse(source)) if isinstance(node, ast.FunctionDef | ast.ClassDef)
    ]


def test_the_folded_firmware_gives_the_same_edges(tmp_path: Path) -> None:
    package = tmp_path / "boxcore"
    package.mkdir()
    for name, text in fold(SOURCES, "boxcore").items():
        (package / f"{name}.py").write_text(text)
    outputs = [
        subprocess.run(
            [sys.executable, "-c", SCRIPT], env={"PYTHONPATH": str(path)}, capture_output=True, check=True
        )
        for path in (FIRMWARE, tmp_path)
    ]
    assert outputs[0].stdout == outputs[1].stdout
    pure = [name for name in SOURCES if name not in ("hal_rp2", "__init__")]
    imports = "import " + ", ".join(f"boxcore.{name}" for name in pure)
    subprocess.run([sys.executable, "-c", imports], env={"PYTHONPATH": str(tmp_path)}, check=True)
    assert len(outputs[0].stdout) > 10_000


def test_the_shipped_board_is_read_alike_by_the_folded_code() -> None:
    folded = fold(SOURCES, "boxcore")
    space: dict[str, object] = {"__name__": "boxcore.board"}
    exec(folded["board"], space)
    model = core.Board("x", [1_000], [2], 1, False, dict.fromkeys(core.CAPS, 9) | {"supply_min_mv": 1})
    load, dump = space["load"], core.dump(model)
    assert callable(load)
    assert load(dump).hardware == model.hardware
