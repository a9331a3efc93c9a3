"""Private names and parameters made short in the compiled firmware: the same results, nothing in doubt
touched."""

from __future__ import annotations

import subprocess
import sys
import textwrap
from pathlib import Path

import pytest
from nightdraw.link import firmware
from nightdraw.link.shorten import legend, shorten

from tests.link.test_fold import SCRIPT, SOURCES
from tests.micropython.runner import FIRMWARE


def one(text: str, script: str = "", **others: str) -> str:
    """What becomes of one module `m`."""
    return shorten({"m": textwrap.dedent(text), **others}, [script])["m"]


def value(text: str, script: str = "") -> object:
    """What a shortened module leaves in `result`."""
    space: dict[str, object] = {}
    exec(one(text, script), space)
    return space["result"]


def test_private_names_and_parameters_become_short() -> None:
    text = "_limit = [1]\ndef f(number):\n    return number + _limit[0]\n"
    assert one(text) == "A = [1]\n\ndef f(a):\n    return a + A[0]\n"


def test_an_attribute_has_one_name_in_every_module() -> None:
    texts = shorten(
        {"m": "class Cell:\n    def _f(self):\n        pass\n", "n": "def f(b):\n    return b._f()\n"}, []
    )
    assert "def a(self)" in texts["m"]
    assert "return a.a()" in texts["n"]


def test_what_hides_what_stays_so() -> None:
    text = """
        from math import inf
        _x = 1
        class Base:
            def __init__(self, start):
                self._x = start
            def _y(self, x):
                return self._x + _x + x
        class Thing(Base):
            def _y(self, x, more=_x):
                return Base._y(self, x) * 10 + more
            def b(self, a, c=2):
                def inner(d, a=a):
                    d = d + 1
                    return lambda e: (a, c, d, e)
                try:
                    raise ValueError(a)
                except ValueError as error:
                    return inner(c)(a), str(error), [a for a in range(c)]
        def _y(inf):
            return inf
        result = Thing(100)._y(5), Thing(1).b(7), Thing(1).b(7, c=3), _y(3), inf > 1
    """
    space: dict[str, object] = {}
    exec(textwrap.dedent(text), space)
    assert value(text) == space["result"]
    assert "_y" not in one(text)


@pytest.mark.parametrize(
    ("text", "kept"),
    [
        ("_x = 1\nname = '_x'\n", "_x"),  # spelled by some text
        ("class Cell:\n    _x = 1\n    y = _x\n", "_x"),  # read by the class's own body
        ("def f(size):\n    return size\nf(size=1)\n", "size"),  # given by name
        ("import _x\n", "_x"),
        ("import os\nos._x()\n", "_x"),  # another's
        ("size = 1\ndef f(size):\n    return size\n", "size"),  # the module's too
        ("def f(int):\n    return int\n", "int"),
        ("def f():\n    global _x\n    _x = 1\n", "_x"),
        ("class Cell:\n    def __init__(self):\n        pass\n", "__init__"),
        ("class Cell:\n    def __init__(self):\n        pass\n", "self"),
    ],
)
def test_what_is_in_doubt_stays(text: str, kept: str) -> None:
    assert kept in one(text)


def test_a_parameter_that_a_script_outside_gives_by_name_stays() -> None:
    assert "size" in one("def f(size):\n    return size\n", "from p import m\nm.f(size=3)\n")


def test_the_firmware_keeps_its_public_names_and_gives_the_same_edges(tmp_path: Path) -> None:
    package = tmp_path / "boxcore"
    package.mkdir()
    for name, text in shorten(SOURCES, []).items():
        (package / f"{name}.py").write_text(text)
    outputs = [
        subprocess.run(
            [sys.executable, "-c", SCRIPT], env={"PYTHONPATH": str(path)}, capture_output=True, check=True
        ).stdout
        for path in (FIRMWARE, tmp_path)
    ]
    assert outputs[0] == outputs[1]
    assert len(outputs[0]) > 10_000
    assert "._" not in (package / "player.py").read_text()
    assert "def refill(self" in (package / "player.py").read_text()


def test_the_legend_gives_a_trace_its_names_back() -> None:
    text = "class Cell:\n    def _walk(self):\n        pass\ndef _run():\n    pass\n"
    assert legend({"m": text}) == {"m": {"a": "_walk", "A": "_run"}}
    assert "_fill" in firmware.legend()["player"].values()
